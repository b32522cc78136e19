"""What the shift runs on: a PostgreSQL, a store and two web nodes, each of them ours to kill."""

import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from http.client import HTTPConnection
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
KEYS = ("record.key", "signing.pem")
"""What every node has of the same book, beside LOOMBOOK_SECRET."""
DISK_MB = 700
FAKETIME = Path("/usr/lib/x86_64-linux-gnu/faketime/libfaketimeMT.so.1")
SERVE_STORE = (
    "import signal, sys; from moto.server import ThreadedMotoServer as Server;"
    "Server(ip_address='127.0.0.1', port=int(sys.argv[1]), verbose=False).start(); signal.pause()"
)


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as free:
        return int(free.getsockname()[1])


def children(pid: int) -> list[int]:
    """The processes that one started itself."""
    told = Path(f"/proc/{pid}/task/{pid}/children")
    return [int(one) for one in told.read_text().split()] if told.exists() else []


def until(ready: Callable[[], bool], seconds: float) -> float:
    """Wait until `ready()` holds; gives how long it took. Raises TimeoutError."""
    began = time.monotonic()
    while not ready():
        if time.monotonic() - began > seconds:
            raise TimeoutError("This did not come back")
        time.sleep(0.1)
    return time.monotonic() - began


class Database:
    """A PostgreSQL of its own, on a disk small enough to be filled where that can be made."""

    def __init__(self, folder: Path) -> None:
        self.bin = sorted(Path("/usr/lib/postgresql").glob("*/bin"))[-1]
        self.folder = folder / "database"
        self.folder.mkdir()
        self.small = self._mount()
        self.port = free_port()
        self.as_root = os.getuid() == 0
        if self.as_root:
            shutil.chown(self.folder, "postgres")
            self.folder.parent.chmod(0o755)
        self.data = self.folder / "data"
        self._run("initdb", "--auth=trust", "--locale=C.UTF-8", "--username=loombook")
        (self.folder / "log").touch()
        if self.as_root:
            shutil.chown(self.folder / "log", "postgres")
        self.start()
        self._tool("createdb", "loombook")
        self.url = f"postgresql://loombook@127.0.0.1:{self.port}/loombook"

    def _mount(self) -> bool:
        asked = ["mount", "-t", "tmpfs", "-o", f"size={DISK_MB}m", "loombook-soak", self.folder]
        return os.getuid() == 0 and not subprocess.run(asked, stderr=subprocess.DEVNULL).returncode

    def _run(self, tool: str, *arguments: str, check: bool = True) -> int:
        command = [str(self.bin / tool), f"--pgdata={self.data}", *arguments]
        if self.as_root:
            command = ["runuser", "-u", "postgres", "--", *command]
        done = subprocess.run(command, cwd=self.folder, stdout=subprocess.DEVNULL, check=check)
        return done.returncode

    def _tool(self, tool: str, *arguments: str) -> None:
        where = ["--host=127.0.0.1", f"--port={self.port}", "--username=loombook"]
        subprocess.run([str(self.bin / tool), *where, *arguments], check=True)

    def start(self) -> None:
        """Start it, whatever state it was left in."""
        options = (
            f"-p {self.port} -k {self.folder} -c listen_addresses=127.0.0.1 -c max_wal_size=80MB"
        )
        self._run(
            "pg_ctl", "start", "--wait", f"--log={self.folder / 'log'}", f"--options={options}"
        )

    def serves(self) -> bool:
        return not self._run("pg_ctl", "status", check=False)

    def kill(self) -> None:
        """Every process of it at once, without a word."""
        pid = int((self.data / "postmaster.pid").read_text().split()[0])
        for one in (pid, *children(pid)):
            os.kill(one, signal.SIGKILL)
        (self.data / "postmaster.pid").unlink(missing_ok=True)

    def fill(self) -> Path:
        """Leave nothing free on its disk; gives the file to remove."""
        filler = self.folder / "filler"
        with filler.open("wb", buffering=0) as file:
            try:
                while True:
                    file.write(b"\0" * (1 << 20))
            except OSError:
                pass
        return filler

    def close(self) -> None:
        self._run("pg_ctl", "stop", "--mode=immediate", "--silent", check=False)
        if self.small:
            subprocess.run(["umount", self.folder], check=False)


class Store:
    """A stand-in for a store, which can be stopped in the middle and go on."""

    def __init__(self) -> None:
        self.port = free_port()
        self.process = subprocess.Popen(
            [sys.executable, "-c", SERVE_STORE, str(self.port)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        self.url = f"s3://shop-files/west?endpoint=http://127.0.0.1:{self.port}"

    def close(self) -> None:
        self.process.kill()
        self.process.wait()


class Node:
    """One machine that serves: its own folder, the same keys, the same book."""

    def __init__(self, name: str, folder: Path, keys: Path) -> None:
        self.name, self.folder, self.port = name, folder / name, free_port()
        self.folder.mkdir()
        for key in KEYS:
            if (keys / key).exists():
                shutil.copyfile(keys / key, self.folder / key)
        shutil.copytree(keys / "staticfiles", self.folder / "staticfiles")
        self.clock = self.folder / "clock"
        self.log = folder / f"{name}.log"
        self.start()

    def start(self, faked: bool = False) -> None:
        where = {
            **os.environ,
            "LOOMBOOK_DATA": str(self.folder),
            "HOST": "127.0.0.1",
            "PORT": str(self.port),
            "WORKERS": "2",
            "LOOMBOOK_HOSTS": "127.0.0.1",
            "LOOMBOOK_PAPERS_LATER": "1",
        }
        if faked:
            self.set_clock("+0")
            where |= {
                "LD_PRELOAD": str(FAKETIME),
                "FAKETIME_TIMESTAMP_FILE": str(self.clock),
                "FAKETIME_NO_CACHE": "1",
                "FAKETIME_DONT_FAKE_MONOTONIC": "1",
            }
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                ["deploy/serve.sh"], cwd=ROOT, env=where, stdout=log, stderr=log
            )

    def set_clock(self, off: str) -> None:
        """Put this node's clock forwards or back: "+3600" [s]."""
        part = self.clock.with_suffix(".part")
        part.write_text(off)
        part.replace(self.clock)

    def answers(self, path: str = "/readyz") -> bool:
        connection = HTTPConnection("127.0.0.1", self.port, timeout=10)
        try:
            connection.request("GET", path)
            return connection.getresponse().status == 200
        except OSError:
            return False
        finally:
            connection.close()

    def kill(self) -> None:
        """The parent and its workers at once, as when the power goes."""
        for one in (self.process.pid, *children(self.process.pid)):
            os.kill(one, signal.SIGKILL)
        self.process.wait()

    def kill_worker(self) -> None:
        os.kill(children(self.process.pid)[0], signal.SIGKILL)

    def close(self) -> None:
        self.process.terminate()
        try:
            self.process.wait(30)
        except subprocess.TimeoutExpired:
            self.kill()
