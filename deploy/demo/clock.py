"""A clock for the demo: what is written inside `at(moment)` carries that moment.

The event log cannot be changed once written, so a history that reaches back some weeks has to be
written with its own times. Only the loader of the demo shop uses this.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime

from django.utils import timezone


@contextmanager
def at(moment: datetime) -> Iterator[None]:
    """Let Django's `timezone.now()` answer `moment`."""
    real = timezone.now
    timezone.now = lambda: moment
    try:
        yield
    finally:
        timezone.now = real
