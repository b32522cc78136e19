"""What a backup brings back to life is ended: it may have been ended since it was made.

Sign-ins, devices that are not asked for the second factor, tokens of the API, and news for other
programs that was on its way then and was told since. What was taken from people since (a sign-in,
a role, a tablet, a password) is known to the book that is replaced (`shop.services.ended_since`);
without one it is for a manager to look through.
"""

from collections.abc import Callable
from typing import Final

from django.db import transaction
from django.utils import timezone

from shop.models import ApiToken, Shop, SignIn
from shop.services import api_tokens, ending, events

RESTORED: Final = "book.restored"

End = Callable[[], int]

_also: Final[dict[str, End]] = {}


def also(name: str, end: End) -> None:
    """Have something else ended, under a name of the log: by the room that knows it."""
    _also[name] = end


@transaction.atomic
def end_what_came_back(made_at: str) -> dict[str, int]:
    """End all of it after the backup of a moment (ISO text) was put back; gives how many of what.

    Raises DatabaseError where the tables are not those of this version.
    """
    shop, now = Shop.objects.current(), timezone.now()
    ended = {name: end() for name, end in _also.items()}
    ended["tokens"] = len(ending.end(ApiToken.objects.in_use(), None, api_tokens.ENDED))
    ended["sign_ins"] = SignIn.objects.exclude(person=None).count()
    SignIn.objects.all().delete()
    Shop.objects.filter(pk=shop.pk).update(sign_ins_ended_at=now)
    told = {name: count for name, count in ended.items() if count}
    events.log(None, RESTORED, shop, after={"backup_of": made_at, **told})
    return ended
