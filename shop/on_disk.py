"""Files that are on the disk, whole, before anybody is told that they are kept."""

import os
from collections.abc import Hashable, Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from django.core.files.storage import FileSystemStorage


def sync(path: Path) -> None:
    """Wait until the disk has a file's content, or the names in a folder."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def write_new(path: Path, text: str) -> None:
    """Make a file that this user alone may read, whole on the disk. Raises FileExistsError."""
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "w") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    sync(path.parent)


def discard(files: Iterable[tuple[Any, str]]) -> None:
    """Take away files, each with its storage, that no row names; one that cannot be reached now
    stays, and is in nobody's way."""
    for storage, name in files:
        with suppress(OSError):
            storage.delete(name)


class NewFiles:
    """Files that are stored before the row that names them; `stand` says that it does."""

    def __init__(self) -> None:
        self.names: list[tuple[Any, str]] = []
        self.stand = False

    def put(self, field: Any, name: str, content: Any) -> None:
        """Store one in a file field of a row that is not written yet."""
        field.save(name, content, save=False)
        self.names.append((field.storage, str(field.name)))


@contextmanager
def stored_first() -> Iterator[NewFiles]:
    """Store files before a row is locked: nobody's save waits for a slow disk or store. They are
    taken away again unless they `stand`; say so within the transaction, since nobody knows of a
    commit that is cut off whether the row stands."""
    files = NewFiles()
    try:
        yield files
    finally:
        if not files.stand:
            discard(files.names)


class SyncedStorage(FileSystemStorage):
    """Uploads: the file is synced, then each folder that leads to it, which may be new.

    What cannot be written whole, as on a full disk, is not there at all.
    """

    def _save(self, name: str, content: Any) -> str:
        path, handle = self._made(name)
        try:
            with os.fdopen(handle, "wb") as file:
                for chunk in content.chunks():
                    file.write(chunk)
                file.flush()
                os.fsync(file.fileno())
            if self.file_permissions_mode is not None:
                path.chmod(self.file_permissions_mode)
            top = Path(self.location).parent
            for folder in path.parents:
                sync(folder)
                if folder == top:
                    break
        except BaseException:
            path.unlink(missing_ok=True)
            raise
        return path.relative_to(self.location).as_posix()

    def standing(self, name: str) -> Hashable:
        """What differs once a file was changed. Raises FileNotFoundError."""
        found = os.stat(self.path(name))
        return found.st_mtime_ns, found.st_size

    def _made(self, name: str) -> tuple[Path, int]:
        """A new file of that name, or of one like it where another was first, open for writing."""
        while True:
            path = Path(self.path(name))
            path.parent.mkdir(parents=True, exist_ok=True)
            try:
                return path, os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
            except FileExistsError:
                name = self.get_available_name(name)
