"""What is signed in now: begun, used, listed and ended.

A session ends when nothing was done in it for as long as the shop says, two weeks after it began
in any case, and with whatever it rests on: the person's sign-in, roles, password, PIN or tablet.
"""

from datetime import timedelta
from typing import Final

from django.conf import settings
from django.contrib.auth import login
from django.db.models import QuerySet
from django.http import HttpRequest
from django.utils import timezone
from django.utils.crypto import constant_time_compare, salted_hmac

from shop.models import Shop, SignIn, StaffMember
from shop.services import sign_in
from shop.session_keys import (
    ADDRESS,
    BY_PIN,
    HELD,
    PIN_MARK,
    PROVED,
    SECOND_SHOWN,
    SEEN,
    STARTED,
    TABLET,
    moment,
)

BACKEND: Final = "shop.services.sign_in.PasswordBackend"

LONGEST: Final = timedelta(seconds=settings.SESSION_COOKIE_AGE)
SEEN_EVERY: Final = timedelta(minutes=5)
"""That a session is in use is noted no more often than this."""


def _mark_of_pin(person: StaffMember) -> str:
    return salted_hmac("shop.sign_ins.pin", person.pin).hexdigest()


def by_pin(request: HttpRequest, person: StaffMember, tablet_pk: int) -> None:
    """Sign a person in whose PIN was right."""
    sign_in.log(request, sign_in.SIGNED_IN, person, actor=person, by="PIN")
    login(request, person, backend=BACKEND)
    request.session[BY_PIN] = True
    request.session[TABLET] = tablet_pk
    renew_pin(request, person)
    begin(request)


def renew_pin(request: HttpRequest, person: StaffMember) -> None:
    """Keep a session open by PIN when its own person has set a new one in it."""
    if request.session.get(BY_PIN):
        request.session[PIN_MARK] = _mark_of_pin(person)


def by_password(request: HttpRequest, person: StaffMember, second: str = "") -> None:
    """Sign a person in whose password was right; `second` is what they showed beside it."""
    shown = {"second_factor": second} if second else {}
    sign_in.log(request, sign_in.SIGNED_IN, person, actor=person, by="password", **shown)
    at = request.session.get(SECOND_SHOWN)
    login(request, person, backend=BACKEND)
    begin(request)
    request.session.pop(HELD, None)
    if at and second:
        request.session[SECOND_SHOWN] = at


def begin(request: HttpRequest) -> None:
    """Note in the session that it begins; sessions that are over are cleared away."""
    now = timezone.now()
    for key in (STARTED, SEEN, PROVED):
        request.session[key] = now.isoformat()
    request.session[ADDRESS] = sign_in.address_of(request)
    over = SignIn.objects.filter(expire_date__lt=now)
    SignIn.objects.filter(pk__in=list(over.values_list("pk", flat=True)[:100])).delete()


def is_over(request: HttpRequest, shop: Shop) -> bool:
    """Whether the session of a person signed in has been idle, or open, for too long."""
    now = timezone.now()
    started, seen = moment(request.session, STARTED), moment(request.session, SEEN)
    if started is None or seen is None:
        return False
    return now - seen > timedelta(hours=shop.idle_limit_h) or now - started > LONGEST


def pin_stands(request: HttpRequest, person: StaffMember) -> bool:
    """Whether the PIN that opened the session is still the person's."""
    mark: str = request.session.get(PIN_MARK, "")
    return constant_time_compare(mark, _mark_of_pin(person))


def used(request: HttpRequest) -> None:
    """Note that a person does something in the session, every few minutes."""
    seen = moment(request.session, SEEN)
    if seen is None:
        begin(request)
    elif timezone.now() - seen > SEEN_EVERY:
        request.session[SEEN] = timezone.now().isoformat()
        request.session[ADDRESS] = sign_in.address_of(request)


def mark_of(row: SignIn) -> str:
    """A name for a session that opens nothing."""
    return salted_hmac("shop.sign_ins.row", row.session_key).hexdigest()[:16]


def here(request: HttpRequest) -> SignIn | None:
    """The session of this request."""
    return SignIn.objects.filter(pk=request.session.session_key).first()


def open_of(person: StaffMember, shop: Shop) -> QuerySet[SignIn]:
    """The sessions in which a person is signed in, the last used first."""
    now = timezone.now()
    return (
        SignIn.objects.filter(
            person=person,
            expire_date__gt=now,
            seen_at__gt=now - timedelta(hours=shop.idle_limit_h),
            started_at__gt=now - LONGEST,
        )
        .select_related("tablet")
        .order_by("-seen_at")
    )


def end_all(person: StaffMember, *, but: str | None = None, by_pin_only: bool = False) -> int:
    """End a person's sessions, but for the one of that key; gives how many."""
    rows = SignIn.objects.filter(person=person).exclude(session_key=but or "")
    if by_pin_only:
        rows = rows.filter(by_pin=True)
    return rows.delete()[0]


def end_one(person: StaffMember, mark: str) -> int:
    """End the person's session of that mark; gives 0 when it is over already."""
    keys = [one.pk for one in SignIn.objects.filter(person=person) if mark_of(one) == mark]
    return SignIn.objects.filter(pk__in=keys).delete()[0]
