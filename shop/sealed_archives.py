"""Archives that only whoever has the shop's identity can open, and copies of them elsewhere.

The format is age (age-encryption.org/v1): LOOMBOOK_BACKUP_FOR names one or more recipients
(`age1…`), and the identity that opens the archive (`AGE-SECRET-KEY-1…`) is kept off this machine.
So whoever takes the machine's disk or the place of the copies reads no customer's name in them.
"""

import hashlib
import shutil
from pathlib import Path
from typing import IO, Any, Final, cast

from django.conf import settings

from shop.on_disk import sync, write_new

ENDING: Final = ".age"
HEAD: Final = b"age-encryption.org/v1"
SECRET: Final = "AGE-SECRET-KEY-1"


class SealError(Exception):
    """An archive that cannot be closed, opened or copied; the message says what to do."""


class _Digest:
    """A file that keeps nothing but the SHA-256 of what is written to it."""

    def __init__(self) -> None:
        self.sha256 = hashlib.sha256()

    def write(self, data: bytes) -> int:
        self.sha256.update(data)
        return len(data)

    def flush(self) -> None:
        pass


def recipients() -> list[str]:
    """Whom archives are closed for, as LOOMBOOK_BACKUP_FOR names them; empty leaves them open."""
    return [one.strip() for one in settings.BACKUP_FOR.split(",") if one.strip()]


def close(plain: Path) -> Path:
    """Encrypt an archive for every recipient, beside it; SealError when it does not open again.

    This process adds a recipient of its own, forgotten with it, to open what it wrote and compare.
    """
    import pyrage

    try:
        named = [pyrage.x25519.Recipient.from_str(one) for one in recipients()]
    except pyrage.RecipientError as error:
        raise SealError(
            f"LOOMBOOK_BACKUP_FOR is no list of age recipients (age1…): {error}. "
            "Make one with manage.py backup_identity."
        ) from error
    own = pyrage.x25519.Identity.generate()
    closed = plain.with_name(plain.name + ENDING)
    closed.touch(mode=0o600)
    with plain.open("rb") as source, closed.open("wb") as target:
        pyrage.encrypt_io(source, target, [*named, own.to_public()])
    again = _Digest()
    try:
        with closed.open("rb") as source:
            pyrage.decrypt_io(source, cast("IO[bytes]", again), [own])
    except pyrage.DecryptError as error:
        raise SealError(f"The encrypted archive does not open again: {error}") from error
    if again.sha256.digest() != digest_of(plain):
        raise SealError("The encrypted archive opens to something else. Is the disk full?")
    return closed


def is_closed(archive: Path) -> bool:
    """Whether a file is encrypted, by how it begins."""
    with archive.open("rb") as file:
        return file.read(len(HEAD)) == HEAD


def open_with(archive: Path, identity: Path | None, target: Path) -> None:
    """Decrypt an archive into `target` with the identities in a file."""
    import pyrage

    if identity is None:
        raise SealError(
            f"{archive} is encrypted: give the file with its secret key, --identity FILE "
            "(IDENTITY=FILE)."
        )
    target.touch(mode=0o600)
    try:
        with archive.open("rb") as source, target.open("wb") as plain:
            pyrage.decrypt_io(source, plain, _identities(identity))
    except pyrage.DecryptError as error:
        raise SealError(
            f"{archive} does not open with {identity}: {error}. It was made for another identity, "
            "or it is damaged."
        ) from error


def _identities(path: Path) -> list[Any]:
    import pyrage

    try:
        lines = [one.strip() for one in path.read_text().splitlines()]
        found = [pyrage.x25519.Identity.from_str(one) for one in lines if one.startswith(SECRET)]
    except (OSError, UnicodeDecodeError, pyrage.IdentityError) as error:
        raise SealError(f"The identity cannot be read from {path}: {error}") from error
    if not found:
        raise SealError(f"{path} holds no identity: that is a line that begins with {SECRET}.")
    return found


def new_identity(path: Path) -> str:
    """Make an identity in a new file, readable by this user alone; gives its recipient."""
    import pyrage

    made = pyrage.x25519.Identity.generate()
    recipient = str(made.to_public())
    try:
        write_new(path, f"# Opens Loombook's backups made for {recipient}\n{made}\n")
    except OSError as error:
        raise SealError(f"No identity was made: {error}") from error
    return recipient


def digest_of(path: Path) -> bytes:
    """SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").digest()


def copy_elsewhere(archive: Path, folder: Path) -> Path:
    """Copy an archive into another folder, and read the copy again.

    The folder is never made: where a disk is not mounted, its place must not fill this one.
    """
    if not folder.is_dir():
        raise SealError(
            f"{archive} was made, but not copied: there is no folder {folder}. Is its disk there? "
            "See LOOMBOOK_BACKUP_COPY."
        )
    copy, unfinished = folder / archive.name, folder / f"unfinished-{archive.name}"
    try:
        shutil.copyfile(archive, unfinished)
        unfinished.chmod(0o600)
        sync(unfinished)
        if digest_of(unfinished) != digest_of(archive):
            raise SealError(f"The copy of {archive} in {folder} is not like it: try another disk.")
        unfinished.replace(copy)
        sync(folder)
    except OSError as error:
        raise SealError(f"{archive} was made, but not copied to {folder}: {error}") from error
    finally:
        unfinished.unlink(missing_ok=True)
    return copy
