"""Signing in by password: limited in attempts, and written into the shop's log.

Attempts are counted for a name from one place, and for all names from that place with a wider
limit; an attempt is counted before its password is looked at, so that none made side by side goes
uncounted. A place is the network address, or the device where the person has signed in on it
before: so nobody else can use up the tries of its owner. After too many there is a wait, twice as
long each time. That one account stays below 100 wrong tries in a row from one place within a day
follows NIST SP 800-63B-4 (2025), 3.2.2.
"""

from datetime import datetime, timedelta
from ipaddress import IPv6Address, ip_address
from typing import Any, Final
from unicodedata import normalize

from django.contrib.auth import authenticate
from django.contrib.auth.backends import ModelBackend
from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.http import HttpRequest
from django.utils import timezone
from django.utils.crypto import salted_hmac

from shop import known_device, logs
from shop.models import Shop, SignInAttempts, StaffMember
from shop.prepared import PreparedObjects
from shop.services import events
from shop.services.pins import PinRefused
from shop.wording import moment

TRIES: Final = 8
TRIES_OF_ALL_NAMES: Final = 30
WITHIN: Final = timedelta(minutes=15)
"""Wrong tries are forgotten this long after the first of them."""
WAIT: Final = timedelta(minutes=15)
LONGEST_WAIT: Final = timedelta(hours=4)
CALM: Final = timedelta(days=1)
"""A place that was quiet for so long begins anew."""

SIGNED_IN: Final = "sign_in.done"
FAILED: Final = "sign_in.failed"
SHUT: Final = "sign_in.shut"
SIGNED_OUT: Final = "sign_in.ended"
EXPORTED: Final = "sign_in.exported"


class Waiting(PermissionDenied):
    """No attempt is taken before `until`; `every_name` when it holds for all names from here."""

    def __init__(self, until: datetime, *, every_name: bool) -> None:
        super().__init__("Too many wrong passwords: wait, then try again.")
        self.until = until
        self.every_name = every_name


def address_of(request: HttpRequest) -> str:
    """The network address of the sender: of IPv6 the network of 64 bits that one subscriber has.

    `shop.server` puts in the address that its trusted proxy names (PROXY).
    """
    try:
        address = ip_address(request.META.get("REMOTE_ADDR", ""))
    except ValueError:
        return "unknown"
    if isinstance(address, IPv6Address):
        if address.ipv4_mapped:
            return str(address.ipv4_mapped)
        return f"{IPv6Address(int(address) >> 64 << 64)}/64"
    return str(address)


def _folded(name: str) -> str:
    return normalize("NFKC", name).casefold()


def _hash(name: str) -> str:
    return salted_hmac("shop.sign_in", _folded(name), algorithm="sha256").hexdigest()


def _place(request: HttpRequest, person: StaffMember | None) -> str:
    device = known_device.device_of(request, person.pk) if person else ""
    return f"device {device}" if device else f"address {address_of(request)}"


def _row(name_hash: str, place: str, now: datetime) -> SignInAttempts:
    """The row of a name and place, locked; what is no longer counted is forgotten."""
    row, new = SignInAttempts.objects.select_for_update().get_or_create(
        name_hash=name_hash, place=place, defaults={"since": now}
    )
    over = row.wait_until is None or row.wait_until <= now
    if over and now - max(row.since, row.wait_until or row.since) > CALM:
        row.wrong, row.rounds, row.since, row.wait_until = 0, 0, now, None
    elif over and (row.wait_until is not None or now - row.since > WITHIN):
        row.wrong, row.since, row.wait_until = 0, now, None
    if new:
        old = SignInAttempts.objects.filter(since__lt=now - 2 * CALM)
        old.filter(pk__in=old.select_for_update(skip_locked=True).values("pk")[:100]).delete()
    return row


def _rows(
    name: str, place: str, now: datetime, own: str = ""
) -> tuple[SignInAttempts, SignInAttempts]:
    """Those of all names and of this one, always locked in this order; `own` is the place of this
    one where it is another."""
    return _row("", place, now), _row(_hash(name), own or place, now)


def _add(row: SignInAttempts, most: int, now: datetime) -> None:
    """One attempt more; the last of `most` brings a wait about."""
    row.wrong += 1
    if row.wrong >= most:
        row.wait_until = now + min(WAIT * 2**row.rounds, LONGEST_WAIT)
        row.rounds = min(row.rounds + 1, 10)
    row.save()


@transaction.atomic
def _count(name: str, place: str, own_place: str = "") -> datetime | None:
    """Count one attempt before it is looked at; gives the end of the wait that it brings about.

    Raises Waiting during a wait.
    """
    now = timezone.now()
    everybody, own = _rows(name, place, now, own_place)
    for row in (own, everybody):
        if row.wait_until is not None:
            raise Waiting(row.wait_until, every_name=row is everybody)
    _add(own, TRIES, now)
    _add(everybody, TRIES_OF_ALL_NAMES, now)
    return own.wait_until or everybody.wait_until


@transaction.atomic
def _was_right(name: str, place: str, own_place: str = "") -> None:
    """The attempt just counted was right: its name begins anew, and of all names' count it alone is
    taken away, so that nobody with a password of their own buys tries at others'."""
    everybody, own = _rows(name, place, timezone.now(), own_place)
    own.delete()
    if everybody.wrong:
        everybody.wrong -= 1
        if everybody.wait_until is not None:
            everybody.wait_until, everybody.rounds = None, max(everybody.rounds - 1, 0)
        everybody.save()


def _places_of_second(request: HttpRequest, person: StaffMember) -> tuple[str, str]:
    """Where tries at a person's second factor are counted. Whoever is there knows the password, and
    a right password must buy no tries: all addresses are one place, and only a device on which the
    person has signed in before is another."""
    place = _place(request, person)
    device = place if known_device.device_of(request, person.pk) else "anywhere"
    return place, f"second, {device}"


def count_second(request: HttpRequest, person: StaffMember) -> datetime | None:
    """Count one try at the second factor before it is looked at, as one at a password.

    Gives the end of the wait that it brings about; raises Waiting during a wait.
    """
    try:
        return _count(person.username, *_places_of_second(request, person))
    except Waiting:
        too_many(request, "second factor", person)
        raise


def second_was_right(request: HttpRequest, person: StaffMember) -> None:
    """The try just counted was right."""
    _was_right(person.username, *_places_of_second(request, person))


@transaction.atomic
def count_asked(request: HttpRequest, what: str) -> None:
    """Count one question of a public page from this address, as all names' attempts are counted.

    Raises Waiting during a wait.
    """
    now = timezone.now()
    row = _row("", f"{what} from {address_of(request)}", now)
    if row.wait_until is not None:
        too_many(request, what)
        raise Waiting(row.wait_until, every_name=True)
    _add(row, TRIES_OF_ALL_NAMES, now)


def forget(username: str) -> None:
    """End the waits for a name, wherever from: it has a new password."""
    SignInAttempts.objects.filter(name_hash=_hash(username)).delete()


_of_session: Final = PreparedObjects(lambda pk: StaffMember._default_manager.filter(pk=pk))


class PasswordBackend(ModelBackend):
    """Django's own, with attempts counted and logged.

    Where nothing was asked from a page, as by a command on the server, nothing is counted.
    """

    def authenticate(
        self,
        request: HttpRequest | None,
        username: str | None = None,
        password: str | None = None,
        **kwargs: Any,
    ) -> StaffMember | None:
        """The person, or None. During a wait PermissionDenied goes to Django, and `request.waiting`
        says until when."""
        if request is None or not username or password is None:
            return self._person(super().authenticate(request, username, password, **kwargs))
        known = StaffMember.objects.filter(username=username).first()
        place = _place(request, known)
        try:
            wait_until = _count(username, place)
        except Waiting as waiting:
            vars(request)["waiting"] = waiting
            too_many(request, "password", known)
            raise
        person = self._person(super().authenticate(request, username, password, **kwargs))
        if person is not None:
            _was_right(username, place)
        else:
            log(request, FAILED, known, by="password")
            if wait_until is not None:
                log(request, SHUT, known, until=wait_until)
        return person

    def get_user(self, user_id: int) -> StaffMember | None:
        """The person of a session, where they may still sign in."""
        found = _of_session(user_id)
        return found[0] if found and self.user_can_authenticate(found[0]) else None

    @staticmethod
    def _person(user: Any) -> StaffMember | None:
        return user if isinstance(user, StaffMember) else None


def too_many(request: HttpRequest, by: str, person: StaffMember | None = None) -> None:
    """Write down a try during a wait, into the program's log: it may be made again and again."""
    logs.security(request, "too many tries", by=by, tried_for=str(person.pk if person else 0))


def log(
    request: HttpRequest,
    code: str,
    person: StaffMember | None,
    *,
    actor: StaffMember | None = None,
    **facts: Any,
) -> None:
    """Write what happened at the door into the shop's log: whose name, from where.

    A name that is nobody's is not written down: it may be a password in the wrong field.
    """
    tablet = getattr(request, "tablet", None)
    known = bool(person and known_device.device_of(request, person.pk))
    after = {
        **facts,
        "address": address_of(request),
        "device": str(tablet) if tablet else "used before" if known else "new",
    }
    events.log(actor, code, person or Shop.objects.current(), after=after)


def log_refused_pin(request: HttpRequest, person: StaffMember, refused: PinRefused) -> None:
    """Write a wrong PIN into the log, and the wait that it brings about."""
    if refused.wait_until and not refused.counted:
        too_many(request, "PIN", person)
    if refused.counted:
        log(request, FAILED, person, by="PIN")
        if refused.wait_until:
            log(request, SHUT, person, by="PIN", until=refused.wait_until)


def log_export(request: HttpRequest, file: str) -> None:
    """Write down that the person signed in takes a file of the book's data away."""
    person = request.user
    assert isinstance(person, StaffMember)
    log(request, EXPORTED, None, actor=person, file=file)


# Asked again --------------------------------------------------------------------------------------


def is_own_password(request: HttpRequest, password: str) -> bool:
    """Whether it is the password of the person signed in; a wrong one counts as an attempt."""
    person = request.user
    assert isinstance(person, StaffMember)
    return authenticate(request, username=person.username, password=password) == person


def waiting_of(request: HttpRequest) -> Waiting | None:
    """The wait that an attempt of this request ran into."""
    waiting = vars(request).get("waiting")
    return waiting if isinstance(waiting, Waiting) else None


def why_not_own(request: HttpRequest) -> str:
    """What to say after `is_own_password` said no."""
    if waiting := waiting_of(request):
        return f"Too many wrong passwords from here. Try again {moment(waiting.until)}."
    return "This is not your password."
