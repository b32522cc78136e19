"""How requests arrive: limited in size and time, and holding no thread while they do.

waitress reads each connection in one loop and gives a request to a thread when its last byte is
here; an answer goes out by the same loop, so a tablet that leaves the wifi holds a socket and
nothing else. What is added to it here: how much may be sent by whom, how long it may take, words
for what is refused, and a stop that finishes what is under way.
"""

import copy
import json
import re
import socket
import time
from typing import Any, Final

from django.http.cookie import parse_cookie
from waitress import wasyncore
from waitress.adjustments import Adjustments
from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser, ParsingError
from waitress.server import TcpWSGIServer
from waitress.task import ErrorTask, ThreadedTaskDispatcher
from waitress.utilities import Error, RequestEntityTooLarge

from shop import known_device
from shop.http import COOKIE_PREFIX
from shop.problems import API, MOST_BYTES as MOST_BYTES_TO_API, TYPE
from shop.server.workers import Pulse

MOST_BYTES: Final = 27 * 1024 * 1024
"""From a known device: the largest photo with its form around it."""
MOST_BYTES_UNKNOWN: Final = 64 * 1024
"""From anybody else, who can only sign in."""
MOST_BYTES_TO_CHECK: Final = 8 * 1024 * 1024
"""From anybody to CHECKS: a sheet with its photos."""
CHECKS: Final = "/verify/"
"""The one address where a stranger sends a file."""
MOST_HEADER_BYTES: Final = 64 * 1024

SILENCE_S: Final = 30
"""A request that is arriving may pause this long."""
KEEP_OPEN_S: Final = 60
"""A connection without a request, or an answer that is not being taken, is kept this long."""
HEADER_S: Final = 20
LEAST_BYTES_S: Final = 4096
"""A body that is slower than this on the whole, from the worst of wifi, is given up."""
DRAIN_S: Final = 10
LEFT_S: Final = 0.01
"""A connection that another process should have is left to it so long."""
REMEMBERED_S: Final = 1
"""It is then taken, also by a loop that is too busy to come back at once."""
STOP_S: Final = 10
LATE_S: Final = 0.02
"""What a proxy sent while it could not know of the stop yet is still read within this time."""


FOLDED: Final = re.compile(rb"\r\n[ \t]")
"""A header that goes on in the next line: RFC 9112 (2022), 5.2; no browser or proxy sends one."""

TRANSFER_ENCODING: Final = re.compile(rb"^transfer-encoding:[ \t]*(.*?)[ \t]*\r?$", re.I | re.M)
"""How the headers say that a body is sent. RFC 9112 (2022), 6.1 and 6.3: beside a length, twice, or
in HTTP/1.0 it is faulty, and waitress takes all three."""


class TooLarge(Error):
    """The refusal of a body, in words for a person."""

    def __init__(self, known: bool) -> None:
        self.code, self.reason = (413, "Content Too Large") if known else (401, "Unauthorized")
        super().__init__(
            f"This is too large to send: at most {MOST_BYTES // 1024 // 1024} MB are taken. "
            "Send it smaller."
            if known
            else "Only signed-in staff can send this much. Sign in on this device, then send it "
            "again."
        )

    def to_response(self, ident: str | None = None) -> tuple[str, list[tuple[str, str]], bytes]:
        """The status, headers and text that go out."""
        headers = [("Content-Type", "text/plain; charset=utf-8")]
        return f"{self.code} {self.reason}", headers, str(self.body).encode()


class TooLargeForApi(TooLarge):
    """The same in words for a program."""

    def to_response(self, ident: str | None = None) -> tuple[str, list[tuple[str, str]], bytes]:
        """The status, headers and problem document that go out."""
        most = MOST_BYTES_TO_API // 1024 // 1024
        said = {
            "type": "about:blank",
            "title": "Content Too Large",
            "status": 413,
            "detail": f"Send at most {most} MB at once, and your token in Authorization.",
        }
        return "413 Content Too Large", [("Content-Type", TYPE)], json.dumps(said).encode()


class Request(HTTPRequestParser):
    """A request that may be as large as its sender is known."""

    adj: Any
    error: Any = None
    known = False

    def parse_header(self, header_plus: bytes) -> None:
        """Read the headers, and from them how much of a body is taken.

        ParsingError, answered with 400 and the end of the connection, where the headers leave open
        where the request ends: a proxy might read it otherwise.
        """
        if FOLDED.search(header_plus):
            raise ParsingError("A header is one line")
        try:
            super().parse_header(header_plus)
        except ValueError as error:
            raise ParsingError("Content-Length is no number that is taken") from error
        if codings := TRANSFER_ENCODING.findall(header_plus):
            alone = "CONTENT_LENGTH" not in self.headers and self.version == "1.1"
            if not alone or [one.lower() for one in codings] != [b"chunked"]:
                raise ParsingError("Transfer-Encoding is to be chunked, once, and no length beside")
        if self.chunked or self.content_length >= MOST_BYTES_UNKNOWN:
            cookies = parse_cookie(self.headers.get("COOKIE", ""))
            names = (COOKIE_PREFIX + known_device.COOKIE, known_device.COOKIE)
            self.known = any(known_device.is_known(cookies.get(name, "")) for name in names)
            self.adj = copy.copy(self.adj)
            self.adj.max_request_body_size = self._most()

    def _most(self) -> int:
        if self.known:
            return MOST_BYTES
        if self._asks_api() and self.headers.get("AUTHORIZATION", "")[:7].lower() == "bearer ":
            return MOST_BYTES_TO_API
        checks = self.command == "POST" and self.path == CHECKS and not self.chunked
        return MOST_BYTES_TO_CHECK if checks else MOST_BYTES_UNKNOWN

    def _asks_api(self) -> bool:
        return bool(self.path.startswith(API))

    def received(self, data: bytes) -> int:
        """Take some more of the request; gives how many bytes were of it."""
        taken: int = super().received(data)
        if isinstance(self.error, RequestEntityTooLarge):
            sent = max(self.content_length, self.body_bytes_received)
            refusal = TooLargeForApi if self._asks_api() else TooLarge
            self.error = refusal(self.known or sent >= MOST_BYTES)
            self.expect_continue = False
        return taken


class Refusal(ErrorTask):
    """Says why a request was not taken."""

    def execute(self) -> None:
        """Write the answer; the connection closes after it."""
        self.channel.refused = isinstance(self.request.error, TooLarge)
        super().execute()


class Channel(HTTPChannel):
    """A connection that knows how long its request has been arriving."""

    parser_class = Request
    error_task_class = Refusal
    began = 0.0
    refused = False

    def received(self, data: bytes) -> bool:
        """Take what has come in."""
        if self.request is None:
            self.began = time.time()
        taken: bool = super().received(data)
        return taken

    def overdue(self, now: float) -> bool:
        """Whether it is time to give the connection up."""
        if self.requests:
            return False
        if self.request is None:
            return bool(now - self.last_activity > KEEP_OPEN_S)
        allowed_s: float = HEADER_S
        if self.request.headers_finished:
            most = self.request.content_length or self.request.adj.max_request_body_size
            allowed_s += SILENCE_S + most / LEAST_BYTES_S
        return bool(now - self.last_activity > SILENCE_S or now - self.began > allowed_s)

    def busy(self) -> bool:
        """Whether a request is being served, or its answer is still going out."""
        return bool(self.requests or self.total_outbufs_len)

    def handle_close(self) -> None:
        """Close; a sender who was refused is listened to a little longer, or misses the answer."""
        kept = self.socket.dup() if self.refused and self.connected else None
        super().handle_close()
        if kept is not None:
            Drain(kept, self.server.socket_map)


class Drain(wasyncore.dispatcher):
    """Reads on and drops what a refused sender still sends: closing at once would reset the
    connection, and a browser would report that instead of the answer (RFC 9112, 9.6)."""

    def __init__(self, connection: socket.socket, socket_map: dict[int, Any]) -> None:
        connection.setblocking(False)
        super().__init__(connection, map=socket_map)
        self.last_activity = time.time()
        try:
            connection.shutdown(socket.SHUT_WR)
        except OSError:
            self.close()

    def writable(self) -> bool:
        """Nothing goes out any more."""
        return False

    def handle_read(self) -> None:
        """Drop what came in."""
        if not self.recv(1 << 16) or self.overdue(time.time()):
            self.close()

    def overdue(self, now: float) -> bool:
        """Whether the sender was listened to for long enough."""
        return now - self.last_activity > DRAIN_S

    def busy(self) -> bool:
        """Never: what it sends is for nobody."""
        return False

    def handle_close(self) -> None:
        """The sender has finished."""
        self.close()


class Alone:
    """What a server that shares its socket with nobody needs to know of the others."""

    def beat(self, connections: int) -> None:
        """Nobody listens."""

    def another_holds_less(self, connections: int) -> bool:
        """There is no other."""
        return False


class Server(TcpWSGIServer):
    """One process: a loop that holds the connections, and threads that serve what has arrived."""

    channel_class = Channel
    stopping = False

    def __init__(
        self,
        application: Any,
        listener: socket.socket,
        *,
        threads: int,
        proxy: str,
        most: int,
        pulse: Alone | Pulse | None = None,
    ) -> None:
        self.socket_map: dict[int, Any] = {}
        dispatcher = ThreadedTaskDispatcher()
        dispatcher.set_thread_count(threads)
        adjustments = Adjustments(
            sockets=[listener],
            trusted_proxy=proxy,
            trusted_proxy_count=1,
            trusted_proxy_headers={"x-forwarded-for", "x-forwarded-proto"},
            max_request_header_size=MOST_HEADER_BYTES,
            max_request_body_size=MOST_BYTES_UNKNOWN,
            connection_limit=1 << 30,
            asyncore_use_poll=True,
            cleanup_interval=1,
            # A thread never waits for a slow reader: a long answer goes to a file meanwhile.
            outbuf_high_watermark=1 << 30,
            recv_bytes=1 << 16,
            log_socket_errors=False,
            ident=None,
        )
        self.most = most
        self.pulse = pulse or Alone()
        self.left_until = 0.0
        where = (listener.family, listener.type, listener.proto, listener.getsockname())
        super().__init__(
            application,
            self.socket_map,
            _sock=listener,
            dispatcher=dispatcher,
            adj=adjustments,
            sockinfo=where,
            bind_socket=False,
        )

    def readable(self) -> bool:
        """Whether to look for new connections."""
        return bool(super().readable()) and time.monotonic() >= self.left_until

    def handle_accept(self) -> None:
        """Take a connection; when there are too many, in place of the one longest silent.

        One that a less burdened process should have is left for a moment, then taken all the same.
        """
        now = time.monotonic()
        was_left = now < self.left_until + REMEMBERED_S
        if not was_left and self.pulse.another_holds_less(len(self.active_channels)):
            self.left_until = now + LEFT_S
            return
        self.left_until = 0.0
        super().handle_accept()
        self.pulse.beat(len(self.active_channels))
        held = self._held()
        idle = [one for one in held if not one.busy()]
        if len(held) > self.most and idle:
            min(idle, key=lambda one: one.last_activity).handle_close()

    def _held(self) -> list[Channel | Drain]:
        return [one for one in self.socket_map.values() if isinstance(one, Channel | Drain)]

    def maintenance(self, now: float) -> None:
        """Give up connections that are overdue."""
        for one in self._held():
            if one.overdue(now):
                one.handle_close()

    def stop(self) -> None:
        """Finish what is under way, then return from `serve`. May be called by a signal."""
        self.stopping = True
        self.pull_trigger()

    def serve(self) -> None:
        """Serve until told to stop."""
        while not self.stopping:
            self._turn(LEFT_S if time.monotonic() < self.left_until else 1.0)
        wasyncore.dispatcher.close(self)
        began = time.time()
        while (since := time.time() - began) < LATE_S or (
            since < STOP_S and any(one.busy() for one in self.active_channels.values())
        ):
            self._turn(LATE_S)

    def _turn(self, timeout_s: float) -> None:
        self.pulse.beat(len(self.active_channels))
        wasyncore.poll2(timeout_s, self.socket_map)
