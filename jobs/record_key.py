"""The key of the record: outside the database, beside the signing key, kept by every backup.

It is made once, for an empty book. A book whose record was keyed already never gets another in
silence: a lost key is a refusal that says what to do.
"""

import hashlib
import os
import secrets
import tempfile
from functools import lru_cache
from pathlib import Path
from typing import Final

from django.conf import settings

from jobs.errors import Refused
from jobs.models import RecordChain, Seal, ShopChain

_BYTES: Final = 32


class KeyLost(Refused):
    """A key file that this book needs is missing or damaged."""


def lost(path: Path, what: str) -> KeyLost:
    """The refusal, which says how to go on."""
    return KeyLost(
        f"{what} is missing or damaged: {path}. Nothing is signed or written until it is back. "
        f"Take data/{path.name} out of the newest backup and put it there, or restore that backup "
        "(make restore FILE=ARCHIVE REPLACE=1). If no backup has it: manage.py check_record "
        "--seal-anew makes new keys, and the record says so from then on."
    )


class Another(KeyLost):
    """A key file is whole, but of another book, or was exchanged on another machine."""


def another(path: Path | None = None, what: str = "The key of the record") -> Another:
    """The refusal where a key is whole, but not the one of this book."""
    path = path or key_path()
    return Another(
        f"{what} here is not this book’s: {path}. Nothing is signed or written with "
        f"it. Copy {path.name} from the machine that serves this book, or take data/{path.name} "
        "out of its newest backup, and put it there."
    )


def key_path() -> Path:
    """Where the key is kept."""
    return Path(settings.DATA_DIR) / "record.key"


def new_key() -> bytes:
    return secrets.token_bytes(_BYTES)


def write_file(path: Path, content: bytes) -> bool:
    """Write a new file whole and on the disk, or leave the one that another process wrote."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, unfinished = tempfile.mkstemp(dir=path.parent, prefix="unfinished-")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.link(unfinished, path)
    except FileExistsError:
        return False
    finally:
        os.unlink(unfinished)
    return True


def write_key(key: bytes) -> bool:
    """Put a new key in its place; False where there is one."""
    return write_file(key_path(), key.hex().encode())


def key() -> bytes:
    """The key; made when the book has nothing keyed yet. Raises KeyLost."""
    path = key_path()
    try:
        return _read(path, path.stat().st_mtime_ns)
    except FileNotFoundError:
        if any(model.objects.exists() for model in (RecordChain, Seal, ShopChain)):
            raise lost(path, "The key of the record") from None
    write_key(new_key())
    return _read(path, path.stat().st_mtime_ns)


@lru_cache(maxsize=4)
def _read(path: Path, _changed: int) -> bytes:
    try:
        key = bytes.fromhex(path.read_text().strip())
    except ValueError:
        key = b""
    if len(key) != _BYTES:
        raise lost(path, "The key of the record")
    return key


def key_id(key: bytes) -> str:
    """The name of a key, which tells nothing of it."""
    return hashlib.sha256(b"loombook record " + key).hexdigest()[:16]
