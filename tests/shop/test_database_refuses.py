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
from shop.management.commands.migrate import Command
from shop.project.databases import database_of
from shop.server import certificates
from shop.unreachable import refusal

pytestmark = pytest.mark.once

SSL_REQUEST = struct.pack("!ii", 8, 80877103)
"""PostgreSQL 15, 55.7: the first message of a client that wants TLS; answered by S or N."""

REACHED = "the server was reached"
Served = Callable[..., int]
TurnedAway = Callable[[str, Path], tuple[str, str]]


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

    def answer(listener: socket.socket, speaks_tls: bool, refused: str) -> None:
        said = b"SFATAL\0VFATAL\0M" + refused.encode() + b"\0\0"
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
                    inside.sendall(b"E" + struct.pack("!i", len(said) + 4) + said)

    def start(speaks_tls: bool, refused: str = REACHED) -> int:
        listener = socket.create_server(("127.0.0.1", 0))
        listeners.append(listener)
        threading.Thread(target=answer, args=(listener, speaks_tls, refused), daemon=True).start()
        return int(listener.getsockname()[1])

    yield start
    for one in listeners:
        one.shutdown(socket.SHUT_RDWR)
        one.close()


@pytest.fixture
def turned_away(monkeypatch: pytest.MonkeyPatch, django_db_blocker: Any) -> TurnedAway:
    """What the program and pg_dump say where the database at an address is not to be had."""

    def sentences(address: str, folder: Path) -> tuple[str, str]:
        url = f"postgresql://shop:word@{address}"
        connection = ConnectionHandler({"default": database_of(url, folder)})["default"]
        monkeypatch.setattr(ready, "connection", connection)
        monkeypatch.setattr(backups, "connection", connection)
        with django_db_blocker.unblock(), pytest.raises(CommandError) as told:
            Command().execute()
        with pytest.raises(backups.BackupError) as dumped:
            backups._snapshot_database(folder / "dump")
        return str(told.value), str(dumped.value)

    return sentences


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
    turned_away: TurnedAway,
) -> None:
    roots: dict[str, Any] = {name: authority(tmp_path / name) for name in ("right", "other")}
    asked = asked.format(**roots, absent=tmp_path / "absent.pem")
    told, dumped = turned_away(f"{host}:{served(speaks_tls)}/book?{asked}", tmp_path)
    for said in (told, dumped):
        assert (advice or REACHED) in said
        assert ("not the one asked for" in said) is (REACHED not in said) is (advice is not None)
        assert "disable" not in said, "libpq's own advice is to look away"


@pytest.mark.parametrize(
    ("refused", "advice"),
    [
        ('password authentication failed for user "shop"', "user and password do not belong"),
        ('role "shop" does not exist', "no such user"),
        ('role "shop" is not permitted to log in', "ALTER ROLE ... LOGIN"),
        ('database "book" does not exist', "no database of this name"),
        ('permission denied for database "book"', "GRANT CONNECT"),
        ('Peer authentication failed for user "shop"', "Name the host"),
        (
            'no pg_hba.conf entry for host "127.0.0.1", user "shop", database "book", '
            "SSL encryption",
            "does not let this machine",
        ),
        ("Passwort-Authentifizierung für Benutzer »shop« fehlgeschlagen", "see user, password"),
        ("the database system is starting up", "takes nobody just now"),
        ("sorry, too many clients already", "takes nobody just now"),
    ],
)
def test_a_server_that_answers_and_refuses_says_what_of(
    refused: str, advice: str, served: Served, tmp_path: Path, turned_away: TurnedAway
) -> None:
    """The words are those of PostgreSQL 15, src/backend/libpq/auth.c and utils/init/postinit.c."""
    authority(tmp_path / "right")
    told, dumped = turned_away(f"localhost:{served(True, refused)}/book?sslmode=require", tmp_path)
    for said in (told, dumped):
        assert advice in said and refused in said
        assert "not answer" not in said


def test_where_nobody_listens_it_does_not_answer(tmp_path: Path, turned_away: TurnedAway) -> None:
    told, dumped = turned_away("127.0.0.1:1/book", tmp_path)
    assert "does not answer" in told
    assert "let Loombook in" not in told + dumped


def test_of_the_two_ways_to_one_server_the_one_that_was_answered_is_told() -> None:
    said = (
        'connection to server at "::1", port 5432 failed: Connection refused\n'
        'connection to server at "127.0.0.1", port 5432 failed: FATAL:  database "x" does not exist'
    )
    assert "no database of this name" in str(refusal(said))
    assert "no encryption" not in str(refusal(said))
    lines = [
        f"FATAL:  no pg_hba.conf entry for x, {one}" for one in ("SSL encryption", "no encryption")
    ]
    assert "without TLS" in str(refusal(lines[1]))
    assert "without TLS" not in str(refusal("\n".join(lines))), "it was tried with TLS too"


def test_a_way_of_looking_that_is_none_is_refused_at_once(tmp_path: Path) -> None:
    with pytest.raises(SystemExit, match="verify-full"):
        database_of("postgresql://db.example.org/book?sslmode=verifyfull", tmp_path)
