"""Files that are on the disk before anybody is told that they are kept."""

import os
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


class SyncedStorage(FileSystemStorage):
    """Uploads: the file is synced, then each folder that leads to it, which may be new."""

    def _save(self, name: str, content: Any) -> str:
        kept: str = super()._save(name, content)  # type: ignore[misc]  # not in its stubs
        path = Path(self.path(kept))
        top = Path(self.location).parent
        sync(path)
        for folder in path.parents:
            sync(folder)
            if folder == top:
                break
        return kept
