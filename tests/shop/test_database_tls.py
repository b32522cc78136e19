"""A database on another machine: who is not the one that DATABASE_URL asks for gets no password."""

import datetime
import socket
import ssl
import struct
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from ipaddress import ip_address
from pathlib import Path
from typing import Any

import pytest
from django.core.management.base import CommandError
from django.db.utils import ConnectionHandler

from shop import backups
from shop.management import ready
from shop.project.databases import database_of
from shop.server import certificates

pytestmark = pytest.mark.once

SSL_REQUEST = struct.pack("!ii", 8, 80877103)
"""PostgreSQL 15, 55.7: the first message of a client that wants TLS; answered by S or N."""

REACHED = "the server was reached"
SAID = b"SFATAL\0VFATAL\0C57P03\0M" + REACHED.encode() + b"\0\0"

Served = Callable[[bool], int]


def authority(folder: Path) -> Path:
    """A server's certificate for `localhost` in `folder`; gives its authority's."""
    now = datetime.datetime.now(datetime.UTC)
    certificates.make(folder, "bench", [ip_address("192.168.7.20")], now)
    return folder / certificates.AUTHORITY


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    """Starts what begins as PostgreSQL does, with TLS or without: whoever goes as far as to say who
    they are is told that they reached it."""
    listeners = []

    def answer(listener: socket.socket, speaks_tls: bool) -> None:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(tmp_path / "right" / "server.pem")
        while True:
            try:
                line, _ = listener.accept()
            except OSError:
                return
            # Whoever does not trust the certificate hangs up.
            with suppress(OSError), line:
                assert line.recv(8) == SSL_REQUEST
                line.sendall(b"S" if speaks_tls else b"N")
                with context.wrap_socket(line, server_side=True) as inside:
                    inside.recv(1024)
                    inside.sendall(b"E" + struct.pack("!i", len(SAID) + 4) + SAID)

    def start(speaks_tls: bool) -> int:
        listener = socket.create_server(("127.0.0.1", 0))
        listeners.append(listener)
        threading.Thread(target=answer, args=(listener, speaks_tls), daemon=True).start()
        return int(listener.getsockname()[1])

    yield start
    for one in listeners:
        one.shutdown(socket.SHUT_RDWR)
        one.close()


@pytest.mark.parametrize(
    ("host", "asked", "speaks_tls", "advice"),
    [
        ("localhost", "sslmode=require", True, None),
        ("localhost", "sslmode=verify-full&sslrootcert={right}", True, None),
        ("127.0.0.1", "sslmode=verify-full&sslrootcert={right}", True, "the name that stands in"),
        ("localhost", "sslmode=verify-full&sslrootcert={other}", True, "that signed it"),
        ("localhost", "sslmode=verify-full&sslrootcert={absent}", True, "put the file"),
        ("localhost", "sslmode=require", False, "ssl = on"),
    ],
)
def test_only_the_server_that_is_asked_for_is_told_who_comes(
    host: str,
    asked: str,
    speaks_tls: bool,
    advice: str | None,
    served: Served,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    django_db_blocker: Any,
) -> None:
    roots: dict[str, Any] = {name: authority(tmp_path / name) for name in ("right", "other")}
    asked = asked.format(**roots, absent=tmp_path / "absent.pem")
    url = f"postgresql://shop:word@{host}:{served(speaks_tls)}/book?{asked}"
    connection = ConnectionHandler({"default": database_of(url, tmp_path)})["default"]
    monkeypatch.setattr(ready, "connection", connection)
    monkeypatch.setattr(backups, "connection", connection)
    with django_db_blocker.unblock(), pytest.raises(CommandError) as told:
        ready.ReadyCommand().execute()
    with pytest.raises(backups.BackupError) as dumped:
        backups._snapshot_database(tmp_path / "dump")
    assert (advice or REACHED) in str(told.value)
    # As PostgreSQL's own programs are refused, or are not.
    assert (REACHED in str(dumped.value)) is (REACHED in str(told.value)) is (advice is None)
    assert "disable" not in str(told.value), "libpq's own advice is to look away"


def test_a_way_of_looking_that_is_none_is_refused_at_once(tmp_path: Path) -> None:
    with pytest.raises(SystemExit, match="verify-full"):
        database_of("postgresql://db.example.org/book?sslmode=verifyfull", tmp_path)
