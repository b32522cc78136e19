"""What a power cut leaves on the disk, worked out from a trace of a process's system calls.

The harshest disk that POSIX allows: bytes written to a file are lost unless that file was synced
after them, and a name in a folder is lost unless that folder was synced after it (POSIX.1-2017,
fsync and fdatasync; "Durability" in open(2) and fsync(2) of Linux).
"""

import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

UNDERSTOOD = "openat lseek write pwrite64 ftruncate fsync fdatasync rename mkdir unlink"
REFUSED = (
    "open creat writev pwritev pwritev2 truncate fallocate renameat renameat2 mkdirat unlinkat "
    "rmdir link linkat symlink symlinkat sendfile copy_file_range splice"
)
"""Calls that would change a file too: the trace stops at one, so that it cannot be misread."""
_CALL = re.compile(r"\d+ +(\w+)\((.*)\) += (-?\d+)")
_UNFINISHED = re.compile(r"(\d+) +(\w+\(.*) <unfinished \.\.\.>")
_RESUMED = re.compile(r"(\d+) +<\.\.\. \w+ resumed>(.*)")
_HANDLE = re.compile(r"(\d+)<([^>]*)>")
_TEXT = re.compile(r'"((?:\\x[0-9a-f]{2})*)"')


def run_traced(command: list[str], trace: Path, environment: dict[str, str], cwd: Path) -> str:
    """Run a command, every call that touches a file written to `trace`; its output."""
    calls = ",".join(f"?{name}" for name in f"{UNDERSTOOD} {REFUSED}".split())
    tracer = ["strace", "-f", "-y", "-xx", "-s", "50000000", "-e", f"trace={calls}", "-o", trace]
    done = subprocess.run(
        [*tracer, *command], env=environment, cwd=cwd, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def _plain(hexadecimal: str) -> bytes:
    return bytes.fromhex(hexadecimal.replace("\\x", ""))


def _lines(trace: Path) -> Iterator[str]:
    """The lines of a trace, a call that another thread's interrupted put together again."""
    begun: dict[str, str] = {}
    with trace.open() as file:
        for line in file:
            if cut := _UNFINISHED.match(line):
                begun[cut[1]] = f"{cut[1]} {cut[2]}"
            elif rest := _RESUMED.match(line):
                yield begun.pop(rest[1]) + rest[2]
            else:
                yield line


@dataclass
class File:
    """The content as the process sees it, and as it was at the last sync."""

    seen: bytearray = field(default_factory=bytearray)
    synced: bytes = b""


@dataclass
class Disk:
    """A folder as a process sees it, and as it would be found after the power failed.

    None stands for a folder within it.
    """

    root: Path
    seen: dict[Path, File | None] = field(default_factory=dict)
    synced: dict[Path, File | None] = field(default_factory=dict)
    places: dict[int, int] = field(default_factory=dict)

    @classmethod
    def of(cls, folder: Path) -> "Disk":
        """A folder at rest: all of it is on the disk."""
        disk = cls(folder)
        for path in folder.rglob("*"):
            content = None if path.is_dir() else path.read_bytes()
            disk.seen[path] = None if content is None else File(bytearray(content), content)
        disk.synced = dict(disk.seen)
        return disk

    def replay(self, trace: Path, confirmation: str) -> Iterator[str]:
        """Follow the trace; stops after each line of output that begins with `confirmation`."""
        for line in _lines(trace):
            call = _CALL.match(line)
            if call is None or int(call[3]) < 0:
                continue
            name, arguments, answer = call[1], call[2], int(call[3])
            if name == "write" and arguments.startswith("1<"):
                for said in _plain(_TEXT.findall(arguments)[0]).decode().splitlines():
                    if said.startswith(confirmation):
                        yield said.removeprefix(confirmation).strip()
            else:
                self._follow(name, arguments, answer)

    def write_to(self, folder: Path) -> None:
        """Lay down in `folder` what is found after the power failed now."""
        folder.mkdir()
        for path, file in sorted(self.synced.items()):
            within = path.relative_to(self.root)
            if not all(self.root / above in self.synced for above in within.parents[:-1]):
                continue
            if file is None:
                (folder / within).mkdir()
            else:
                (folder / within).write_bytes(file.synced)

    def _follow(self, name: str, arguments: str, answer: int) -> None:
        handle = _HANDLE.match(arguments)
        texts = _TEXT.findall(arguments)
        if name == "openat":
            path = Path(_plain(texts[0]).decode())
            if path.is_relative_to(self.root):
                self._open(path, arguments, answer)
        elif name in {"rename", "mkdir", "unlink"}:
            paths = [Path(_plain(text).decode()) for text in texts]
            if any(path.is_relative_to(self.root) for path in paths):
                self._rearrange(name, paths)
        elif handle is not None:
            path = Path(_plain(handle[2]).decode())
            if path.is_relative_to(self.root):
                self._change(name, int(handle[1]), path, arguments, answer)
        elif any(str(self.root) in _plain(text).decode() for text in texts):
            raise AssertionError(f"{name} is not followed: {arguments[:200]}")

    def _open(self, path: Path, arguments: str, handle: int) -> None:
        if "O_CREAT" in arguments and path not in self.seen:
            self.seen[path] = File()
        file = self.seen.get(path)
        if "O_TRUNC" in arguments and file is not None:
            file.seen.clear()
        assert "O_APPEND" not in arguments, path
        self.places[handle] = 0

    def _rearrange(self, name: str, paths: list[Path]) -> None:
        if name == "mkdir":
            self.seen[paths[0]] = None
        elif name == "unlink":
            del self.seen[paths[0]]
        else:
            self.seen[paths[1]] = self.seen.pop(paths[0], None) or File()

    def _change(self, name: str, handle: int, path: Path, arguments: str, answer: int) -> None:
        file = self.seen[path] if path != self.root else None
        if name in {"fsync", "fdatasync"}:
            self._sync(path, file)
        elif name == "lseek":
            self.places[handle] = answer
        elif name == "ftruncate" and file is not None:
            size = int(arguments.rpartition(",")[2])
            del file.seen[size:]
            file.seen.extend(bytes(size - len(file.seen)))
        elif name in {"write", "pwrite64"} and file is not None:
            data = _plain(_TEXT.findall(arguments)[0])[:answer]
            if name == "write":
                place = self.places[handle]
                self.places[handle] += answer
            else:
                place = int(arguments.rpartition(",")[2])
            file.seen.extend(bytes(max(0, place - len(file.seen))))
            file.seen[place : place + len(data)] = data
        else:
            raise AssertionError(f"{name} is not followed: {path}")

    def _sync(self, path: Path, file: File | None) -> None:
        if file is not None:
            file.synced = bytes(file.seen)
            return
        for gone in [one for one in self.synced if one.parent == path and one not in self.seen]:
            del self.synced[gone]
        self.synced |= {one: what for one, what in self.seen.items() if one.parent == path}


def python(module: str, *arguments: str) -> list[str]:
    """The command that runs a module of ours."""
    assert shutil.which("strace"), "strace is missing: make test installs it"
    return [sys.executable, "-m", module, *arguments]
