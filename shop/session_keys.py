"""What a session holds about a sign-in; written by `shop.services.sign_ins` and `proof`."""

from datetime import datetime, timedelta
from typing import Any, Final

from django.utils import timezone

BY_PIN: Final = "by_pin"
"""The person signed in by PIN on a shared tablet."""

TABLET: Final = "tablet"
"""The tablet on which that was."""

PIN_MARK: Final = "pin_mark"
"""What the PIN was that opened it, as a keyed hash."""

STARTED: Final = "started"
SEEN: Final = "seen"
ADDRESS: Final = "address"

PROVED: Final = "proved"
"""When the person last showed that it is them."""

PROOF_LASTS: Final = timedelta(minutes=10)
"""So long that opens the pages which ask for it; a signature asks each time."""


def moment(session: Any, key: str) -> datetime | None:
    """A moment that a session holds."""
    text = session.get(key)
    return datetime.fromisoformat(text) if text else None


def proved_lately(session: Any) -> bool:
    """Whether the person has signed in, or shown again that it is them, within the last minutes."""
    at = moment(session, PROVED)
    return at is not None and timezone.now() - at < PROOF_LASTS
