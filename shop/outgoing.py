"""Sending to an address that somebody typed in, and to nowhere else.

The name is looked up once, every answer must be an address of the open internet, and the connection
is made to the very address that was looked at: a name that points elsewhere a moment later, to this
machine or to the shop's own network, gets nothing (server-side request forgery, CWE-918). No
redirection is followed. LOOMBOOK_HOOKS_INSIDE=1 allows the shop's own network, and http there.
"""

import http.client
import socket
import ssl
from collections.abc import Mapping
from ipaddress import IPv4Address, IPv6Address, ip_address
from threading import Timer
from typing import Final, NamedTuple
from urllib.parse import urlsplit

from django.conf import settings
from django.utils.translation import gettext

LONGEST_S: Final = 20
"""A try may last so long, however slowly the other side answers."""
SILENCE_S: Final = 10
MOST_KEPT: Final = 400
"""Of an answer, in bytes: enough to see what was said."""


class NotAllowed(Exception):
    """The address is none that may be sent to; the text says why."""


class Answer(NamedTuple):
    """What the other side said."""

    status: int
    text: str


class Place(NamedTuple):
    """An address that may be sent to, and the one number it stands for now."""

    secure: bool
    host: str
    port: int
    path: str
    number: str


def place_of(address: str) -> Place:
    """Where an address leads, looked up now. Raises NotAllowed, and OSError when the name leads
    nowhere."""
    try:
        parts = urlsplit(address)
        host, port = parts.hostname or "", parts.port
        host.encode("idna")
    except (UnicodeError, ValueError):
        raise NotAllowed(gettext("This is no address: write https://…")) from None
    inside = settings.HOOKS_INSIDE
    if parts.scheme not in {"https", *(["http"] if inside else [])} or not host:
        raise NotAllowed(gettext("Write an address that begins with https://"))
    if parts.username or parts.password or parts.fragment:
        raise NotAllowed(gettext("Leave name, password and # out of the address."))
    secure = parts.scheme == "https"
    port = port or (443 if secure else 80)
    numbers = [str(one[4][0]) for one in socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)]
    if not inside and not all(map(is_open, numbers)):
        raise NotAllowed(
            gettext("This address leads to this machine or into a network of its own: not allowed.")
        )
    path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    return Place(secure, host, port, path, numbers[0])


def is_open(number: str) -> bool:
    """Whether a numeric address is one of the open internet, also when it stands in another."""
    try:
        given = ip_address(number.partition("%")[0])
    except ValueError:
        return False
    if isinstance(given, IPv6Address):
        within: IPv4Address | IPv6Address | None = (
            given.ipv4_mapped or given.sixtofour or (given.teredo[1] if given.teredo else None)
        )
        if not within and given.packed[:12] == b"\x00\x64\xff\x9b" + bytes(8):
            within = ip_address(given.packed[12:])  # Translated to IPv4 (RFC 6052, 2.1).
        if within and not is_open(str(within)):
            return False
    return given.is_global and not given.is_multicast


def post(address: str, body: bytes, headers: Mapping[str, str]) -> Answer:
    """Send it, once. Raises NotAllowed, OSError and http.client.HTTPException."""
    place = place_of(address)
    held = [socket.create_connection((place.number, place.port), SILENCE_S)]
    end = Timer(LONGEST_S, _cut, [held])
    end.daemon = True
    end.start()
    try:
        if place.secure:
            secured = ssl.create_default_context().wrap_socket(
                held[0], server_hostname=place.host, do_handshake_on_connect=False
            )
            held[0] = secured
            secured.do_handshake()
        connection = http.client.HTTPConnection(place.host, place.port)
        connection.sock = held[0]
        host = f"[{place.host}]" if ":" in place.host else place.host
        if place.port != (443 if place.secure else 80):
            host += f":{place.port}"
        connection.request("POST", place.path, body, {**headers, "Host": host})
        response = connection.getresponse()
        text = response.read(MOST_KEPT).decode("utf-8", "replace")
        return Answer(response.status, "".join(c for c in text if c.isprintable()))
    finally:
        end.cancel()
        held[0].close()


def _cut(held: list[socket.socket]) -> None:
    """End a try that lasts too long; whoever waits for its answer is woken with an error."""
    try:
        socket.socket.shutdown(held[0], socket.SHUT_RDWR)
    except OSError:
        pass
