"""The second factor beside the password: set up, asked for, taken away.

Whoever has one is asked for it after the password; managers need one where the shop says so, and
one without is led to set it up before anything else, so that the setting shuts nobody out. A PIN on
a shared tablet opens what it always has. Where the person signed in shows again that it is them,
password or PIN alone are not enough for who has a second factor, or needs one: it is asked for as
well, unless it was shown within the last minutes.
"""

import secrets
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from typing import Final, NamedTuple

from django.core.exceptions import ValidationError
from django.core.signing import BadSignature, SignatureExpired, TimestampSigner
from django.db import transaction
from django.db.models import Exists, OuterRef, Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from django.utils.crypto import constant_time_compare, salted_hmac
from django.utils.translation import gettext

from shop import logs
from shop.models import CodeApp, Passkey, RecoveryCode, Shop, ShopEvent, StaffMember
from shop.services import code_apps, events, passkeys, sign_in, sign_ins
from shop.session_keys import (
    HELD,
    NEW_KEY,
    SECOND_SHOWN,
    SET_UP_FIRST,
    second_shown_lately,
)
from shop.wording import hour, moment

ADDED: Final = "second_factor.added"
REMOVED: Final = "second_factor.removed"
CODES_MADE: Final = "second_factor.codes"
RESET: Final = "second_factor.reset"

APP: Final = "app"
PASSKEY: Final = "passkey"
RECOVERY: Final = "recovery code"
KNOWN_DEVICE: Final = "known device"

BY_SECOND: Final = "second factor"
EVER: Final = datetime(2000, 1, 1, tzinfo=UTC)
MOST_LOOKED_AT: Final = 100

HELD_FOR: Final = timedelta(minutes=10)
MOST_PASSKEYS: Final = 10
CODES: Final = 8
_LETTERS: Final = "abcdefghjkmnpqrstuvwxyz23456789"
_LETTERS_OF_A_CODE: Final = 28
"""Of 31 letters that look unlike one another, that is 138 bits."""
_COOKIE_BEGINS: Final = "loombook-second-"


class Refused(Exception):
    """Not taken; the message says what to do."""

    def __init__(self, message: str) -> None:
        super().__init__(message)
        self.said = message


# What a person has --------------------------------------------------------------------------------


def has_one(person: StaffMember) -> bool:
    """Whether a person has a second factor."""
    with_one = Q(code_app__isnull=False) | Q(passkeys__isnull=False)
    return StaffMember.objects.filter(with_one, pk=person.pk).exists()


def told_apart(staff: QuerySet[StaffMember]) -> QuerySet[StaffMember]:
    """The same people, each with `has_second`."""
    app = CodeApp.objects.filter(person=OuterRef("pk"))
    keys = Passkey.objects.filter(person=OuterRef("pk"))
    return staff.annotate(has_second=Exists(app) | Exists(keys))


def needs_one(person: StaffMember, shop: Shop) -> bool:
    """Whether the shop asks this person for one."""
    return shop.second_factor_required and person.is_manager


def codes_left(person: StaffMember) -> int:
    """How many recovery codes are unused."""
    return RecoveryCode.objects.filter(person=person, used_at=None).count()


def none_yet() -> str:
    """What to say to a person who needs one and has none."""
    return gettext(
        "The shop asks managers for a second factor. Set yours up first, under your name at the "
        "top right."
    )


# Setting up ---------------------------------------------------------------------------------------


def new_key(request: HttpRequest) -> str:
    """The sealed key of the app that is being set up in this session: the same until it is used."""
    if NEW_KEY not in request.session:
        request.session[NEW_KEY] = code_apps.new_key_sealed()
    return str(request.session[NEW_KEY])


@transaction.atomic
def set_up_app(request: HttpRequest, person: StaffMember, code: str) -> list[str]:
    """Keep the app whose first code this is, in the place of another; gives new recovery codes for
    whoever had none. Raises Refused."""
    sealed = request.session.get(NEW_KEY, "")
    step = code_apps.step_of(sealed, _plain(code)) if sealed else None
    if step is None:
        raise Refused(
            gettext(
                "This is not the code that the app should show now. Wait for the next one; when it "
                "fails again, compare the clocks: here it is %(time)s."
            )
            % {"time": hour(timezone.now())}
        )
    made = {"key_sealed": sealed, "last_step": step, "made_at": timezone.now()}
    CodeApp.objects.update_or_create(person=person, defaults=made)
    del request.session[NEW_KEY]
    return _was_added(request, person, APP)


@transaction.atomic
def set_up_passkey(
    request: HttpRequest, person: StaffMember, name: str, answer: str
) -> tuple[Passkey, list[str]]:
    """Keep the passkey that a browser has made; gives new recovery codes as well. Raises
    Refused."""
    if Passkey.objects.filter(person=person).count() >= MOST_PASSKEYS:
        raise Refused(gettext("There are ten passkeys already: remove one first."))
    try:
        row = passkeys.make(request, person, name, answer)
    except passkeys.Refused as refused:
        raise Refused(
            gettext("The browser made no passkey that can be used here. Try once more.")
        ) from refused
    return row, _was_added(request, person, PASSKEY, called=name)


def _was_added(request: HttpRequest, person: StaffMember, what: str, **facts: str) -> list[str]:
    """What was opened without it ends, and whoever had none goes on from setting it up."""
    events.log(person, ADDED, person, after={"by": what, **facts})
    sign_ins.end_all(person, but=request.session.session_key)
    request.session[SECOND_SHOWN] = timezone.now().isoformat()
    request.session.pop(SET_UP_FIRST, None)
    return [] if codes_left(person) else _draw_codes(person)


def _draw_codes(person: StaffMember) -> list[str]:
    RecoveryCode.objects.filter(person=person).delete()
    codes = [
        "".join(secrets.choice(_LETTERS) for _ in range(_LETTERS_OF_A_CODE)) for _ in range(CODES)
    ]
    RecoveryCode.objects.bulk_create(
        RecoveryCode(person=person, sha256=_digest(code)) for code in codes
    )
    return ["-".join(code[at : at + 4] for at in range(0, len(code), 4)) for code in codes]


@transaction.atomic
def new_codes(person: StaffMember) -> list[str]:
    """New recovery codes in the place of all others, to be shown once."""
    events.log(person, CODES_MADE, person)
    return _draw_codes(person)


def _digest(code: str) -> str:
    return sha256(code.encode()).hexdigest()


# Taking away --------------------------------------------------------------------------------------


@transaction.atomic
def remove(request: HttpRequest, person: StaffMember, shop: Shop, passkey: int | None) -> bool:
    """Take a passkey of one's own away, or the app; False when it is gone already.

    Raises Refused for the last one of a person who needs one.
    """
    held = StaffMember.objects.select_for_update().get(pk=person.pk)
    apps, keys = CodeApp.objects.filter(person=held), Passkey.objects.filter(person=held)
    rows = keys.filter(pk=passkey) if passkey else apps
    row = rows.first()
    if row is None:
        return False
    last = len(apps) + len(keys) == 1
    if last and needs_one(held, shop):
        raise Refused(
            gettext("The shop asks managers for a second factor: set another one up first.")
        )
    what = {"by": PASSKEY, "called": str(row)} if passkey else {"by": APP}
    events.log(person, REMOVED, person, before=what)
    row.delete()
    if last:
        RecoveryCode.objects.filter(person=held).delete()
    sign_ins.end_all(person, but=request.session.session_key)
    return True


@transaction.atomic
def reset(person: StaffMember, by: StaffMember | None) -> None:
    """Take everything away that somebody had as a second factor, as when a phone is lost; they are
    signed out everywhere, and told at the next sign-in. `by` is None on the server itself.

    Raises ValidationError for one's own.
    """
    if by is not None and by.pk == person.pk:
        raise ValidationError(
            gettext("You change your own second factor on your own page, not here.")
        )
    for rows in (CodeApp.objects, Passkey.objects, RecoveryCode.objects):
        rows.filter(person=person).delete()
    events.log(by, RESET, person)
    sign_in.forget(person.username)
    sign_ins.end_all(person)


def reset_said(person: StaffMember) -> str:
    """That the second factor was reset since the person was last here, and by whom; else nothing.

    To be asked before the sign-in that is on its way is noted.
    """
    about = ShopEvent.objects.filter(code=RESET, subject=events.subject_of(person))
    since = about.filter(at__gt=person.last_login) if person.last_login else about
    event = since.select_related("actor").first()
    if event is None:
        return ""
    who = str(event.actor) if event.actor else gettext("somebody at the server itself")
    return gettext(
        "Your second factor was reset %(when)s by %(who)s. If you did not ask for that, tell the "
        "other managers now and change your password."
    ) % {"when": moment(event.at), "who": who}


def tries_said(request: HttpRequest, person: StaffMember) -> str:
    """That somebody else typed the password right since the person was last here, and then wrong
    codes; else nothing. From where the person is now, they were slips of their own.

    To be asked before the sign-in that is on its way is noted.
    """
    failed = ShopEvent.objects.filter(
        code=sign_in.FAILED, subject=events.subject_of(person), at__gt=person.last_login or EVER
    )
    here = sign_in.address_of(request)
    others = [
        event
        for event in failed[:MOST_LOOKED_AT]
        if event.after.get("by") == BY_SECOND and event.after.get("address") != here
    ]
    if not others:
        return ""
    return gettext(
        "Somebody at %(address)s knew your password and typed a wrong code after it, last "
        "%(when)s. If that was not you, change your password now."
    ) % {"address": others[0].after["address"], "when": moment(others[0].at)}


# Being shown --------------------------------------------------------------------------------------


class Held(NamedTuple):
    """Somebody whose password was right."""

    person: StaffMember
    to: str


def hold(request: HttpRequest, person: StaffMember, to: str) -> None:
    """Keep in mind whose password was right, and where they were going; they are not signed in."""
    request.session.cycle_key()
    request.session[HELD] = {
        "person": person.pk,
        "mark": person.get_session_auth_hash(),
        "at": timezone.now().isoformat(),
        "to": to,
    }


def held(request: HttpRequest) -> Held | None:
    """Who has yet to show the second factor in this session; None when it took too long, or the
    password is another by now."""
    kept = request.session.get(HELD)
    if not kept or timezone.now() - datetime.fromisoformat(kept["at"]) > HELD_FOR:
        return None
    person = StaffMember.objects.filter(pk=kept["person"], is_active=True).first()
    if person is None or not constant_time_compare(kept["mark"], person.get_session_auth_hash()):
        return None
    return Held(person, kept["to"])


def show(request: HttpRequest, person: StaffMember, code: str, answer: str) -> str:
    """What the person showed: `app`, `passkey`, `recovery code`. Raises Refused.

    Each counts as a try, and is looked at after it is counted.
    """
    if not (code.strip() or answer):
        raise Refused(gettext("Type the code that your app shows, or use a passkey."))
    try:
        wait_until = sign_in.count_second(request, person)
    except sign_in.Waiting as waiting:
        vars(request)["waiting"] = waiting
        raise Refused(
            gettext("Too many wrong codes. Try again %(when)s.") % {"when": moment(waiting.until)}
        ) from waiting
    if what := _looked_at(request, person, _plain(code), answer):
        sign_in.second_was_right(request, person)
        request.session[SECOND_SHOWN] = timezone.now().isoformat()
        return what
    sign_in.log(request, sign_in.FAILED, person, by=BY_SECOND)
    if wait_until is not None:
        sign_in.log(request, sign_in.SHUT, person, by=BY_SECOND, until=wait_until)
    if answer:
        raise Refused(gettext("This passkey was not taken. Try once more, or type a code."))
    raise Refused(
        gettext(
            "This code is wrong, used already or too old. Wait for the next one; a recovery code "
            "works as well."
        )
    )


def _plain(code: str) -> str:
    return "".join(one for one in code.lower() if one.isascii() and one.isalnum())


def _looked_at(request: HttpRequest, person: StaffMember, code: str, answer: str) -> str:
    if answer:
        return PASSKEY if passkeys.take(request, person, answer) else ""
    if len(code) == code_apps.DIGITS:
        return APP if code_apps.take(person, code) else ""
    unused = RecoveryCode.objects.filter(person=person, sha256=_digest(code), used_at=None)
    return RECOVERY if unused.update(used_at=timezone.now()) else ""


def asked_again(
    request: HttpRequest, person: StaffMember, shop: Shop, *, must_be: bool = True
) -> bool:
    """Whether the second factor is asked for where a person shows again that it is them; with
    `must_be` also where they need one and have none."""
    if second_shown_lately(request.session):
        return False
    return (must_be and needs_one(person, shop)) or has_one(person)


def set_up_first(request: HttpRequest, person: StaffMember, shop: Shop) -> None:
    """Lead whoever just signed in by password, and needs a second factor, to its page."""
    if needs_one(person, shop) and not has_one(person):
        request.session[SET_UP_FIRST] = True


# Devices that are not asked again -----------------------------------------------------------------


def _device_mark(person: StaffMember) -> str:
    """What a device keeps: of no use after another password or another second factor."""
    apps = CodeApp.objects.filter(person=person).values_list("made_at", flat=True)
    keys = Passkey.objects.filter(person=person).values_list("made_at", flat=True)
    facts = [str(person.pk), person.password, *(at.isoformat() for at in (*apps, *keys))]
    return salted_hmac("shop.second_factor.device", "|".join(facts), algorithm="sha256").hexdigest()


def _signer() -> TimestampSigner:
    return TimestampSigner(salt="shop.second_factor")


def remember(response: HttpResponse, person: StaffMember, shop: Shop) -> None:
    """Have this device not be asked again for as many days as the shop says."""
    age_s = int(timedelta(days=shop.second_factor_days).total_seconds())
    response.set_cookie(
        f"{_COOKIE_BEGINS}{person.pk}",
        _signer().sign(_device_mark(person)),
        max_age=age_s,
        httponly=True,
        samesite="Lax",
    )


def is_mark(name: str, cookie: str) -> bool:
    """Whether a cookie of that name was given by `remember`, whenever and for whomever."""
    try:
        return name.startswith(_COOKIE_BEGINS) and bool(_signer().unsign(cookie))
    except BadSignature:
        return False


def is_remembered(request: HttpRequest, person: StaffMember, shop: Shop) -> bool:
    """Whether the person has shown the second factor on this device within the shop's days."""
    cookie = request.COOKIES.get(f"{_COOKIE_BEGINS}{person.pk}", "")
    age = timedelta(days=shop.second_factor_days)
    if not cookie or not age:
        return False
    if shop.sign_ins_ended_at is not None:
        age = min(age, timezone.now() - shop.sign_ins_ended_at)
    try:
        mark = _signer().unsign(cookie, max_age=age)
    except SignatureExpired:
        return False
    except BadSignature:
        logs.security(request, "forged cookie", cookie=_COOKIE_BEGINS)
        return False
    return constant_time_compare(mark, _device_mark(person))
