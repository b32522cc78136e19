"""Signed work is on the disk before we say so.

SQLite in WAL mode with synchronous=NORMAL may lose the last commits when the power fails. A
transaction of signed work therefore runs with synchronous=FULL, which SQLite takes only outside
a transaction. PostgreSQL waits for its log by default (synchronous_commit=on).
"""

from collections.abc import Iterator
from contextlib import contextmanager

from django.db import connection, transaction


@contextmanager
def signed_work() -> Iterator[None]:
    """A transaction whose commit survives a loss of power."""
    switch = connection.vendor == "sqlite" and not connection.in_atomic_block
    if switch:
        with connection.cursor() as cursor:
            cursor.execute("PRAGMA synchronous=FULL")
    try:
        with transaction.atomic():
            yield
    finally:
        if switch:
            with connection.cursor() as cursor:
                cursor.execute("PRAGMA synchronous=NORMAL")
