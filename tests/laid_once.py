"""What is dear to make is made once for all tests of a module."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from django.db import transaction
from django.test import override_settings


@contextmanager
def laid_once(blocker: Any, folder: Path) -> Iterator[None]:
    """For a fixture of a module: rows made inside stay until its last test, and are taken back.

    `blocker` is `django_db_blocker`; keys and uploads go into `folder`.
    """
    with (
        blocker.unblock(),
        override_settings(DATA_DIR=folder, MEDIA_ROOT=folder / "media"),
        transaction.atomic(),
    ):
        yield
        transaction.set_rollback(True)
