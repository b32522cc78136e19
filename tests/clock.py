"""The clock that the program reads, held still: a test that crosses a second tells the same."""

from datetime import datetime, timedelta
from typing import Any
from unittest.mock import patch

from django.utils import timezone


def at(moment: datetime) -> Any:
    """Within it, it is this moment and stays so."""
    return patch.object(timezone, "now", lambda: moment)


def later(after: timedelta) -> Any:
    """Within it, it is so long after the call and stays so."""
    return at(timezone.now() + after)
