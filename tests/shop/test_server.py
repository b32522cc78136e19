"""The server: what it takes from whom and for how long, and how its processes live and end."""

import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing, contextmanager, suppress
from http.client import HTTPConnection
from pathlib import Path
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from waitress import wasyncore

from shop import known_device
from shop.roles import Role
from shop.server.arrival import (
    CHECKS,
    HEADER_S,
    KEEP_OPEN_S,
    LEAST_BYTES_S,
    MOST_BYTES,
    MOST_BYTES_TO_API,
    MOST_BYTES_TO_CHECK,
    MOST_BYTES_UNKNOWN,
    SILENCE_S,
    Channel,
    Server,
)
from shop.server.workers import NOT_SERVING, Pulse
from tests.factories import PASSWORD, make_staff

MEGABYTE = 1024 * 1024
KNOWN = {"Cookie": f"a=b; {known_device.COOKIE}={known_device._signer().sign('staff')}"}
OVER_TLS = {"Cookie": KNOWN["Cookie"].replace("a=b; ", "a=b; __Host-")}
CHUNKED = {"Transfer-Encoding": "chunked"}
FORGED = {"Cookie": f"{known_device.COOKIE}=staff:1tzzzz:{'x' * 43}"}


def count_bytes(environ: dict[str, Any], start_response: Callable[..., Any]) -> Iterable[bytes]:
    """An application that says how many bytes it was sent, and by whom."""
    size = len(environ["wsgi.input"].read())
    start_response("200 OK", [("Content-Type", "text/plain")])
    return [f"{size} from {environ['REMOTE_ADDR']} by {environ['wsgi.url_scheme']}".encode()]


def _server(most: int = 100) -> tuple[Server, tuple[str, int]]:
    listener = socket.create_server(("127.0.0.1", 0))
    address = listener.getsockname()
    return Server(count_bytes, listener, threads=2, proxy="127.0.0.1", most=most), address


WITH_TOKEN = {"Authorization": "Bearer loombook_x"}
API = "/api/v1/plans/check"


@pytest.fixture
def address() -> Iterator[tuple[str, int]]:
    """The address of a server that runs in a thread of this process."""
    server, where = _server()
    thread = threading.Thread(target=server.serve)
    thread.start()
    yield where
    server.stop()
    thread.join()


@contextmanager
def connected(address: tuple[str, int], said: bytes = b"") -> Iterator[socket.socket]:
    with closing(socket.create_connection(address, timeout=20)) as connection:
        connection.sendall(said)
        yield connection


def head(size: object, **headers: str) -> bytes:
    length = {} if size == "chunked" else {"Content-Length": str(size)}
    lines = {"Host": "shop", **length, **headers}
    return (
        "POST / HTTP/1.1\r\n" + "".join(f"{name}: {text}\r\n" for name, text in lines.items())
    ).encode() + b"\r\n"


def everything(connection: socket.socket) -> bytes:
    """All that comes until the other side closes."""
    parts = []
    while part := connection.recv(65536):
        parts.append(part)
    return b"".join(parts)


@pytest.mark.parametrize(
    ("sender", "size", "status"),
    [
        ({}, MOST_BYTES_UNKNOWN - 1, None),
        ({}, MOST_BYTES_UNKNOWN, b"401"),
        ({}, 300 * MEGABYTE, b"413"),
        (FORGED, MEGABYTE, b"401"),
        (KNOWN, MOST_BYTES - 1, None),
        (KNOWN, MOST_BYTES, b"413"),
        (OVER_TLS, MOST_BYTES - 1, None),
    ],
)
def test_what_is_too_large_is_refused_before_a_byte_of_it_is_sent(
    address: tuple[str, int], sender: dict[str, str], size: int, status: bytes | None
) -> None:
    with connected(address, head(size, Expect="100-continue", **sender)) as connection:
        if status is None:
            assert connection.recv(65536) == b"HTTP/1.1 100 Continue\r\n\r\n"
            return
        answer = everything(connection)
        assert answer.startswith(b"HTTP/1.1 " + status)
        assert (b"Sign in on this device" in answer) == (status == b"401")
        assert b"waitress" not in answer


@pytest.mark.parametrize(
    ("path", "size", "sender", "status"),
    [
        (CHECKS, MOST_BYTES_TO_CHECK - 1, {}, b"100"),
        (CHECKS, MOST_BYTES_TO_CHECK, {}, b"401"),
        ("/verify/certificate/", MEGABYTE, {}, b"401"),
        ("/sign-in/?next=/verify/", MEGABYTE, {}, b"401"),
        ("/board/", MEGABYTE, WITH_TOKEN, b"401"),
        (API, MOST_BYTES_TO_API - 1, WITH_TOKEN, b"100"),
        (API, MOST_BYTES_TO_API, WITH_TOKEN, b"413"),
        (API, MEGABYTE, {}, b"413"),
    ],
)
def test_a_stranger_sends_a_file_to_one_address_alone_and_a_program_to_the_api(
    address: tuple[str, int], path: str, size: int, sender: dict[str, str], status: bytes
) -> None:
    begins = head(size, Expect="100-continue", **sender)
    begins = begins.replace(b"POST / ", f"POST {path} ".encode(), 1)
    with connected(address, begins) as connection:
        assert connection.recv(65536).startswith(b"HTTP/1.1 " + status)


@pytest.mark.parametrize(("sender", "status"), [({}, b"401"), (KNOWN, b"200")])
def test_a_body_without_a_length_is_counted(
    address: tuple[str, int], sender: dict[str, str], status: bytes
) -> None:
    chunk = b"8000\r\n" + bytes(0x8000) + b"\r\n"
    with connected(address, head("chunked", **CHUNKED, **sender)) as connection:
        connection.sendall(4 * chunk + b"0\r\n\r\n")
        assert connection.recv(65536).startswith(b"HTTP/1.1 " + status)


SMUGGLED = b"GET /smuggled HTTP/1.1\r\nHost: shop\r\n\r\n"
ONE_CHUNK = b"3\r\nabc\r\n0\r\n\r\n"


@pytest.mark.once
@pytest.mark.parametrize(
    ("lines", "body", "status"),
    [
        # RFC 9112 (2022), 6.3 and, of the last two, 6.1 and 7.1: taken, with one meaning.
        (b"Content-Length: 3", b"abc", 200),
        (b"Transfer-Encoding: chunked", ONE_CHUNK, 200),
        (b"transfer-encoding:\t CHUNKED ", ONE_CHUNK, 200),
        # 6.3, 5: lengths that differ, or no number.
        (b"Content-Length: 3\r\nContent-Length: 30", b"abc", 400),
        (b"Content-Length: 3, 3", b"abc", 400),
        (b"Content-Length: +3", b"abc", 400),
        (b"Content-Length: 0x3", b"abc", 400),
        (b"Content-Length:", b"abc", 400),
        (b"Content-Length: " + 5000 * b"9", b"abc", 400),
        # 6.3, 3: both; "ought to be handled as an error".
        (b"Content-Length: 3\r\nTransfer-Encoding: chunked", ONE_CHUNK, 400),
        (b"Transfer-Encoding: chunked\r\nContent-Length: 3", ONE_CHUNK, 400),
        (b"Transfer-Encoding:\r\nContent-Length: 3", b"abc", 400),
        # 6.1: chunked twice; another coding is answered with 501.
        (b"Transfer-Encoding: chunked, chunked", ONE_CHUNK, 400),
        (b"Transfer-Encoding: chunked\r\nTransfer-Encoding: chunked", ONE_CHUNK, 400),
        (b"Transfer-Encoding: chunked, identity", ONE_CHUNK, 501),
        (b"Transfer-Encoding: \x0bchunked", ONE_CHUNK, 400),
        # 5.1: space before the colon; 5.2: a folded line; 2.2: a bare CR or LF.
        (b"Transfer-Encoding : chunked", ONE_CHUNK, 400),
        (b"Content-Length: 3\r\nTransfer-Encoding:\r\n chunked", ONE_CHUNK, 400),
        (b"X-Folded: a\r\n b\r\nContent-Length: 3", b"abc", 400),
        (b"X-Line: a\nContent-Length: 3", b"abc", 400),
        (b"X-Line: a\rContent-Length: 3", b"abc", 400),
        # 7.1: a chunk's size is hexadecimal digits, its line ends with CR LF.
        (b"Transfer-Encoding: chunked", b"0x3\r\nabc\r\n0\r\n\r\n", 400),
        (b"Transfer-Encoding: chunked", b"-3\r\nabc\r\n0\r\n\r\n", 400),
        (b"Transfer-Encoding: chunked", b"3\r\nabcd\r\n0\r\n\r\n", 400),
    ],
)
def test_a_request_ends_where_everybody_reads_that_it_ends(
    address: tuple[str, int], lines: bytes, body: bytes, status: int
) -> None:
    """What leaves it open is refused and ends the connection, so that nothing hidden behind it is
    taken for another request."""
    begins = b"POST / HTTP/1.1\r\nHost: shop\r\n" + lines + b"\r\n\r\n"
    with connected(address, begins + body + SMUGGLED) as connection:
        connection.shutdown(socket.SHUT_WR)
        answer = everything(connection)
    assert answer.split()[1] == b"%d" % status
    assert answer.count(b"HTTP/1.") == (2 if status == 200 else 1)
    assert (b"3 from 127.0.0.1" in answer) == (status == 200)


@pytest.mark.once
def test_http_1_0_has_no_chunks(address: tuple[str, int]) -> None:
    """RFC 9112 (2022), 6.1: the framing is faulty, even where a length stands beside."""
    begins = b"POST / HTTP/1.0\r\nConnection: keep-alive\r\nTransfer-Encoding: chunked\r\n\r\n"
    with connected(address, begins + SMUGGLED) as connection:
        answer = everything(connection)
    assert answer.startswith(b"HTTP/1.0 400 ")
    assert answer.count(b"HTTP/1.") == 1


def test_who_sends_on_after_a_refusal_gets_the_answer(address: tuple[str, int]) -> None:
    """Not a reset connection, which a browser would show in its place."""
    size = 40 * MEGABYTE
    with connected(address, head(size, **KNOWN)) as connection:
        for _ in range(40):
            connection.sendall(bytes(MEGABYTE))
        answer = everything(connection)
    assert answer.startswith(b"HTTP/1.1 413")
    assert answer.endswith(b"Send it smaller.")


def test_a_photo_of_a_known_device_arrives_whole(address: tuple[str, int]) -> None:
    with connected(address, head(5 * MEGABYTE, Connection="close", **KNOWN)) as connection:
        connection.sendall(bytes(5 * MEGABYTE))
        assert everything(connection).endswith(b"5242880 from 127.0.0.1 by http")


@pytest.mark.parametrize("proxy", ["127.0.0.1", "192.0.2.9"])
def test_only_the_proxy_is_believed(proxy: str) -> None:
    with closing(socket.create_server(("127.0.0.1", 0))) as listener:
        server = Server(count_bytes, listener, threads=1, proxy=proxy, most=9)
        thread = threading.Thread(target=server.serve)
        thread.start()
        said = {"X-Forwarded-For": "198.51.100.7", "X-Forwarded-Proto": "https"}
        with connected(server.socket.getsockname(), head(0, **said, Connection="close")) as one:
            answer = everything(one)
        server.stop()
        thread.join()
    believed = answer.endswith(b"0 from 198.51.100.7 by https")
    assert believed == (proxy == "127.0.0.1")


def _step(server: Server) -> None:
    for _ in range(3):
        wasyncore.poll2(0.05, server.socket_map)


def _open(connection: socket.socket) -> bool:
    connection.setblocking(False)
    try:
        return connection.recv(1) != b""
    except BlockingIOError:
        return True


@pytest.mark.parametrize(
    ("said", "dribbles", "allowed_s"),
    [
        (b"", False, KEEP_OPEN_S),
        (b"GET / HTTP/1.1\r\nHost", False, HEADER_S),
        (b"GET / HTTP/1.1\r\nHost", True, HEADER_S),
        (head(8 * LEAST_BYTES_S) + b"a", False, SILENCE_S),
        (head(8 * LEAST_BYTES_S) + b"a", True, HEADER_S + SILENCE_S + 8),
    ],
    ids=[
        "no request",
        "half a header",
        "header, byte by byte",
        "half a body",
        "body, byte by byte",
    ],
)
def test_who_stalls_or_dribbles_is_given_up(said: bytes, dribbles: bool, allowed_s: float) -> None:
    server, address = _server()
    with connected(address, said) as connection:
        _step(server)
        [channel] = server.active_channels.values()
        began = channel.began if said else channel.creation_time
        for passed_s, stays in ((allowed_s - 1, True), (allowed_s + 1, False)):
            now = began + passed_s
            channel.last_activity = now if dribbles else began
            server.maintenance(now)
            _step(server)
            assert _open(connection) == stays
    server.close()


def test_a_request_being_served_is_never_given_up() -> None:
    server, address = _server()
    with connected(address) as connection:
        _step(server)
        [channel] = server.active_channels.values()
        assert isinstance(channel, Channel)
        channel.requests = [channel.parser_class(server.adj)]
        assert not channel.overdue(time.time() + 10_000)
        channel.requests = []
        assert channel.overdue(time.time() + 10_000)
        assert _open(connection)
    server.close()


def test_one_connection_too_many_takes_the_place_of_the_longest_silent() -> None:
    server, address = _server(most=3)
    with (
        connected(address) as first,
        connected(address, b"GET / HTTP") as second,
        connected(address) as third,
    ):
        _step(server)
        for place, channel in enumerate(server.active_channels.values()):
            channel.last_activity = (300, 100, 200)[place]
        with connected(address, head(0)) as fourth:
            while not select_readable(fourth):
                _step(server)
            assert fourth.recv(100).startswith(b"HTTP/1.1 200")
            assert [_open(one) for one in (first, second, third)] == [True, False, True]
    server.close()


def test_a_request_that_crosses_a_stop_is_answered() -> None:
    server, address = _server()
    with connected(address) as crossing:
        _step(server)
        assert len(server.active_channels) == 1
        server.stop()
        crossing.sendall(head(0))
        server.serve()
        assert crossing.recv(100).startswith(b"HTTP/1.1 200")


def select_readable(connection: socket.socket) -> bool:
    """Whether an answer has begun to arrive."""
    connection.setblocking(False)
    try:
        return bool(connection.recv(1, socket.MSG_PEEK))
    except BlockingIOError:
        return False


@pytest.mark.parametrize(("others", "left"), [([2], True), ([3], False), ([NOT_SERVING], False)])
def test_a_connection_is_left_to_a_process_that_holds_fewer_but_not_for_long(
    others: list[int], left: bool
) -> None:
    """A browser keeps its connection: thirty on one process would leave the other idle."""
    server, address = _server()
    with connected(address), connected(address), connected(address):
        _step(server)
        loads = memoryview(bytearray(4 * (1 + len(others)))).cast("I")
        for place, load in enumerate(others, 1):
            loads[place] = load
        server.pulse = Pulse(os.open(os.devnull, os.O_WRONLY), -1, loads, 0)
        with connected(address):
            wasyncore.poll2(1, server.socket_map)
            assert len(server.active_channels) == (3 if left else 4)
            _step(server)
            assert len(server.active_channels) == 4
    server.close()


@pytest.mark.django_db
def test_signing_in_makes_the_device_known(client: Client) -> None:
    person = make_staff(Role.TECHNICIAN)
    client.get(reverse("login"))
    assert known_device.COOKIE not in client.cookies
    client.post(reverse("login"), {"username": person.username, "password": PASSWORD})
    client.get(reverse("board"))
    given = client.cookies[known_device.COOKIE]
    assert given["httponly"]
    assert known_device.is_known(given.value)
    assert not known_device.is_known(given.value + "x")
    client.get(reverse("board"))
    assert client.cookies[known_device.COOKIE].value == given.value
    client.post(reverse("logout"))
    assert known_device.is_known(client.cookies[known_device.COOKIE].value)


class Running:
    """The server of held_server.py in processes of its own."""

    def __init__(self, pipe: Path, *more: str) -> None:
        os.mkfifo(pipe)
        self.pipe = pipe
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tests.shop.held_server", str(pipe), *more],
            cwd=Path(__file__).resolve().parents[2],
            env={**os.environ, "DJANGO_SETTINGS_MODULE": "shop.project.settings"},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        assert self.process.stdout is not None
        self.port = int(self.process.stdout.readline())

    def get(self, path: str) -> bytes:
        connection = HTTPConnection("127.0.0.1", self.port, timeout=30)
        with closing(connection):
            connection.request("GET", path)
            return connection.getresponse().read()

    def workers(self) -> list[int]:
        pid = self.process.pid
        return [int(one) for one in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]

    def until(self, holds: Callable[[], bool]) -> None:
        pause = threading.Event()
        for _ in range(600):
            if holds():
                return
            pause.wait(0.05)
        raise AssertionError("it did not come to that within 30 s")


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Running]:
    server = Running(tmp_path / "pipe")
    server.get("/pid")
    yield server
    with suppress(ProcessLookupError):
        server.process.terminate()
    server.process.wait(30)


def _gone(pid: int) -> bool:
    """Whether a process has ended, though its parent may not have asked yet."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except FileNotFoundError:
        return True


def _refuses(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), timeout=5).close()
    except ConnectionError:
        return True
    return False


@pytest.mark.parametrize("ending", [signal.SIGTERM, signal.SIGINT])
def test_a_stop_finishes_what_is_under_way_and_waits_for_nobody_else(
    running: Running, ending: signal.Signals
) -> None:
    workers = running.workers()
    assert len(workers) == 2
    answers: list[bytes] = []
    asking = threading.Thread(target=lambda: answers.append(running.get("/held")))
    with connected(("127.0.0.1", running.port), b"POST / HTTP/1.1\r\nContent-Length: 9\r\n\r\na"):
        asking.start()
        with running.pipe.open("wb") as held:
            running.process.send_signal(ending)
            running.until(lambda: _refuses(running.port))
            held.write(b"finished")
        asking.join()
        assert answers == [b"finished"]
        assert running.process.wait(30) == 0
    assert all(_gone(pid) for pid in workers)


def test_a_worker_that_dies_or_falls_silent_is_replaced(running: Running) -> None:
    for end in (signal.SIGKILL, signal.SIGSTOP):
        before = running.workers()
        os.kill(before[0], end)
        running.until(lambda gone=before[0]: gone not in running.workers())
        running.until(lambda: len(running.workers()) == 2)
        assert before[1] in running.workers()
        assert int(running.get("/pid")) in running.workers()


def test_workers_do_not_outlive_their_parent(running: Running) -> None:
    workers = running.workers()
    running.process.kill()
    running.until(lambda: all(_gone(pid) for pid in workers))


def test_a_program_that_cannot_be_loaded_ends_with_an_error(tmp_path: Path) -> None:
    server = Running(tmp_path / "pipe", "no such table")
    _, said = server.process.communicate(timeout=30)
    assert server.process.returncode == 1
    assert b"no such table" in said
