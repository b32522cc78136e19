"""Sessions in the database, with whose they are, from where and since when in columns of their own.

`shop.session_keys` says what a session holds about a sign-in.
"""

from typing import Any, Final

from django.contrib.auth import SESSION_KEY
from django.contrib.sessions.backends.db import SessionStore as DatabaseSessions
from django.utils import timezone

from shop.models import SignIn
from shop.prepared import PreparedObjects
from shop.session_keys import ADDRESS, BY_PIN, SEEN, STARTED, TABLET, moment

_of_key: Final = PreparedObjects(lambda key: SignIn.objects.filter(session_key=key), of_text=True)


class SessionStore(DatabaseSessions):
    """Django's own, in our table."""

    @classmethod
    def get_model_class(cls) -> type[SignIn]:
        """Where sessions are kept."""
        return SignIn

    def _get_session_from_db(self) -> SignIn | None:
        """The row of this session; None, and no key any more, where it is gone or over."""
        found = _of_key(self.session_key) if self.session_key else []
        if found and found[0].expire_date > timezone.now():
            return found[0]
        self._session_key = None
        return None

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
