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

SECOND_SHOWN: Final = "second_shown"
"""When the person last showed their second factor."""

SET_UP_FIRST: Final = "set_up_first"
"""The person has to set a second factor up before anything else."""

HELD: Final = "held"
"""Whose password was right, and who has yet to show the second factor; nobody is signed in."""

CHALLENGE: Final = "challenge"
"""What a browser was asked to answer with a passkey."""

NEW_KEY: Final = "new_key"
"""The sealed key of an app that is being set up."""

PROOF_LASTS: Final = timedelta(minutes=10)
"""So long that opens the pages which ask for it; a signature asks each time."""


def moment(session: Any, key: str) -> datetime | None:
    """A moment that a session holds."""
    text = session.get(key)
    return datetime.fromisoformat(text) if text else None


def proved_lately(session: Any) -> bool:
    """Whether the person has signed in, or shown again that it is them, within the last minutes."""
    return _lately(session, PROVED)


def second_shown_lately(session: Any) -> bool:
    """Whether the person has shown the second factor within the last minutes."""
    return _lately(session, SECOND_SHOWN)


def _lately(session: Any, key: str) -> bool:
    at = moment(session, key)
    return at is not None and timezone.now() - at < PROOF_LASTS
