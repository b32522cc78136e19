"""A mail server on loopback that speaks SMTP (RFC 5321) as far as one message goes, and fails where
it is told to."""

import socket
import ssl
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path

WAIT_S = 20.0


@dataclass
class MailServer:
    """What it answers, by the word of the command, one answer a connection and the usual one after
    that; "TEXT" is the answer to the message, "CUT" an answer that is none: the line goes dead."""

    answers: dict[str, list[str]] = field(default_factory=dict)
    offers: tuple[str, ...] = ()
    holds_the_text: bool = False
    certificate: Path | None = None
    said: list[str] = field(default_factory=list)
    """Every command of every connection, in order."""
    taken: list[EmailMessage] = field(default_factory=list)
    """Every message whose text arrived whole, whatever was then answered."""
    has_text: threading.Event = field(default_factory=threading.Event)
    let_go: threading.Event = field(default_factory=threading.Event)
    port: int = 0

    def times(self, word: str) -> int:
        """How often a command was given."""
        return sum(line.upper().startswith(word) for line in self.said)

    def _answer(self, word: str, usual: str) -> str:
        listed = self.answers.get(word, [])
        return listed.pop(0) if listed else usual

    def _talk(self, line: socket.socket) -> None:
        line.settimeout(WAIT_S)
        stream = line.makefile("rwb")

        def say(text: str) -> None:
            if text == "CUT":
                raise ConnectionAbortedError
            stream.write(f"{text}\r\n".encode())
            stream.flush()

        say(self._answer("HELLO", "220 mail.example.org"))
        while command := stream.readline().decode().strip():
            self.said.append(command)
            word = command.split(":")[0].split()[0].upper()
            if word == "EHLO":
                for one in self.offers:
                    say(f"250-{one}")
                say("250 8BITMIME")
            elif word == "STARTTLS":
                say(self._answer(word, "220 go ahead"))
                assert self.certificate is not None
                context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
                context.load_cert_chain(self.certificate)
                line = context.wrap_socket(line, server_side=True)
                stream = line.makefile("rwb")
            elif word == "DATA":
                answer = self._answer(word, "354 give it")
                say(answer)
                if answer.startswith("354"):
                    self._take(stream.readline)
                    say(self._answer("TEXT", "250 taken"))
            else:
                say(self._answer(word, "221 bye" if word == "QUIT" else "250 ok"))

    def _take(self, read: Callable[[], bytes]) -> None:
        lines = []
        while (one := read()) != b".\r\n":
            if not one:
                raise ConnectionAbortedError
            lines.append(one[1:] if one.startswith(b".") else one)
        message = message_from_bytes(b"".join(lines), policy=policy.default)
        assert isinstance(message, EmailMessage)
        self.taken.append(message)
        self.has_text.set()
        if self.holds_the_text:
            self.let_go.wait(WAIT_S)


@contextmanager
def mail_server(server: MailServer) -> Iterator[MailServer]:
    """The server on a port of its own, until the end of the block."""
    listener = socket.create_server(("127.0.0.1", 0))
    server.port = listener.getsockname()[1]

    def serve() -> None:
        while True:
            try:
                line, _ = listener.accept()
            except OSError:
                return
            with line, suppress(OSError):
                server._talk(line)

    serving = threading.Thread(target=serve, daemon=True)
    serving.start()
    try:
        yield server
    finally:
        server.let_go.set()
        listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        serving.join(WAIT_S)
