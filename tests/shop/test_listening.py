"""The served socket outlives its process where systemd keeps it, and only for its own address."""

import array
import os
import shlex
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from shop.server.listening import listening

pytestmark = pytest.mark.once
NEXT = """
import sys
from shop.server.listening import listening
served = listening("127.0.0.1", int(sys.argv[1]))
print(served.getsockname()[1], flush=True)
if len(sys.argv) > 2:
    served.accept()[0].sendall(b"served")
"""


@pytest.fixture
def keeper(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> socket.socket:
    """What stands in for systemd: it is told, and keeps what it is handed."""
    kept = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    kept.bind(str(tmp_path / "notify"))
    kept.settimeout(10)
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
    return kept


def _handed(keeper: socket.socket) -> tuple[bytes, list[int]]:
    said, beside, _, _ = keeper.recvmsg(200, socket.CMSG_LEN(8))
    numbers = array.array("i")
    for _, _, data in beside:
        numbers.frombytes(data)
    return said, list(numbers)


def _free() -> int:
    with socket.create_server(("127.0.0.1", 0)) as one:
        return int(one.getsockname()[1])


def _next(number: int, *arguments: str) -> subprocess.Popen[str]:
    """The process after, with the kept socket as descriptor 3, as systemd starts it."""
    python = shlex.join([sys.executable, "-c", NEXT, *arguments])
    return subprocess.Popen(
        ["bash", "-c", f"exec 3<&{number}; LISTEN_PID=$$ LISTEN_FDS=1 exec {python}"],
        pass_fds=[number],
        stdout=subprocess.PIPE,
        text=True,
    )


def test_who_comes_between_two_processes_is_served_by_the_second(keeper: socket.socket) -> None:
    port = _free()
    listening("127.0.0.1", port).close()
    said, (number,) = _handed(keeper)
    assert said == b"FDSTORE=1\nFDNAME=served"
    with (
        socket.create_connection(("127.0.0.1", port), timeout=20) as between,
        _next(number, str(port), "and accept") as process,
    ):
        os.close(number)
        assert between.recv(20) == b"served"
        assert process.stdout and int(process.stdout.readline()) == port
    assert process.returncode == 0


def test_a_socket_of_another_address_is_given_back(keeper: socket.socket) -> None:
    before, after = _free(), _free()
    listening("127.0.0.1", before).close()
    _, (number,) = _handed(keeper)
    with _next(number, str(after)) as process:
        os.close(number)
        assert process.stdout and int(process.stdout.readline()) == after
    assert _handed(keeper) == (b"FDSTOREREMOVE=1\nFDNAME=served", [])
    said, made = _handed(keeper)
    assert said == b"FDSTORE=1\nFDNAME=served" and len(made) == 1
    os.close(made[0])
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", before), timeout=20)


def test_without_a_keeper_nobody_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    port = _free()
    with listening("127.0.0.1", port) as served:
        assert served.getsockname() == ("127.0.0.1", port)
