"""Sessions in the database, with whose they are, from where and since when in columns of their own.

`shop.session_keys` says what a session holds about a sign-in.
"""

from typing import Any

from django.contrib.auth import SESSION_KEY
from django.contrib.sessions.backends.db import SessionStore as DatabaseSessions

from shop.models import SignIn
from shop.session_keys import ADDRESS, BY_PIN, SEEN, STARTED, TABLET, moment


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
