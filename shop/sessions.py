"""Sessions in the database, with whose they are, from where and since when in columns of their own.

What a session holds about the sign-in is written by `shop.services.sign_ins` alone.
"""

from datetime import datetime
from typing import Any, Final

from django.contrib.auth import SESSION_KEY
from django.contrib.sessions.backends.db import SessionStore as DatabaseSessions

from shop.access import BY_PIN
from shop.models import SignIn

TABLET: Final = "tablet"
"""Session key: the tablet on which a person signed in by PIN."""

STARTED: Final = "started"
SEEN: Final = "seen"
ADDRESS: Final = "address"


def moment(session: Any, key: str) -> datetime | None:
    """A moment that a session holds."""
    text = session.get(key)
    return datetime.fromisoformat(text) if text else None


class SessionStore(DatabaseSessions):
    """Django's own, in our table."""

    @classmethod
    def get_model_class(cls) -> type[SignIn]:
        """Where sessions are kept."""
        return SignIn

    def create_model_instance(self, data: dict[str, Any]) -> SignIn:
        """The row of a session, as Django asks for it when it saves one."""
        row = super().create_model_instance(data)
        assert isinstance(row, SignIn)
        row.person_id = int(data[SESSION_KEY]) if SESSION_KEY in data else None
        row.tablet_id = data.get(TABLET)
        row.by_pin = bool(data.get(BY_PIN))
        row.address = data.get(ADDRESS, "")
        row.started_at, row.seen_at = moment(data, STARTED), moment(data, SEEN)
        return row
