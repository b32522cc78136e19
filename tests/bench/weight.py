"""Bytes over the wire: a page and everything it asks for, compressed as the server sends it."""

import gzip
import re
from pathlib import Path
from urllib.parse import urljoin

from django.conf import settings

REFERENCES = re.compile(rb"""(?:src|href)=["']([^"'#]+)""")
IN_STYLE = re.compile(rb"""url\(["']?([^"')]+)""")


def compressed(content: bytes) -> int:
    """Size after gzip at its usual level."""
    return len(gzip.compress(content, 6))


def _file(address: str) -> Path | None:
    prefix = f"/{settings.STATIC_URL.strip('/')}/"
    path = Path(settings.STATIC_ROOT) / address.removeprefix(prefix)
    return path if address.startswith(prefix) and path.is_file() else None


def _sent(path: Path) -> int:
    """The smallest form the server keeps of a static file."""
    kept = (path, path.with_name(f"{path.name}.gz"), path.with_name(f"{path.name}.br"))
    return min(one.stat().st_size for one in kept if one.exists())


def first_load(page: bytes) -> tuple[int, list[tuple[str, int]]]:
    """All bytes of a first visit, and the parts of it, largest first."""
    parts = {"the page": compressed(page)}
    waiting = [found.decode() for found in REFERENCES.findall(page)]
    while waiting:
        address = waiting.pop()
        path = _file(address)
        if path is None or address in parts:
            continue
        parts[address] = _sent(path)
        if path.suffix == ".css":
            waiting += [
                urljoin(address, found.decode())
                for found in IN_STYLE.findall(path.read_bytes())
                if not found.startswith(b"data:")
            ]
    ordered = sorted(parts.items(), key=lambda part: -part[1])
    return sum(parts.values()), ordered
