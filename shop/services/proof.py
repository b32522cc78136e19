"""The person signed in shows again that it is them: at a signature, before data leaves the shop.

A page that was left open, and a PIN that somebody looked at over a shoulder weeks ago, sign nothing
by themselves.
"""

from django.utils import timezone

from shop.http import Request
from shop.services import pins, sign_in
from shop.session_keys import PROVED


def may_be_pin(request: Request) -> bool:
    """Whether a PIN will do: on a registered tablet, for whoever has one."""
    return request.tablet is not None and bool(request.user.pin)


def why_not(request: Request, given: str) -> str:
    """Nothing when it is the person's password, or their PIN on a tablet; else what to say.

    A wrong one counts as an attempt to sign in, and is logged.
    """
    person, said = request.user, ""
    if request.tablet is not None and person.pin and pins.looks_like_one(given):
        try:
            pins.person_by_pin(request.tablet, person, given)
        except pins.PinRefused as refused:
            said = refused.said
            sign_in.log_refused_pin(request, person, refused)
    elif not sign_in.is_own_password(request, given):
        said = sign_in.why_not_own(request)
    return said


def shown(request: Request) -> None:
    """Note that the person has shown again that it is them."""
    request.session[PROVED] = timezone.now().isoformat()
