"""The person signed in shows again that it is them: at a signature, before data leaves the shop.

A page that was left open, and a PIN that somebody looked at over a shoulder weeks ago, sign nothing
by themselves.
"""

from django.urls import reverse
from django.utils import timezone
from django.utils.html import format_html
from django.utils.translation import gettext

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
    elif person.password_given:
        said = _own_first(request)
    return said


def _own_first(request: Request) -> str:
    """What to say of a password that a manager chose: whoever knows it is not its person yet. It
    leads to the change in a tab of its own, so that the form stays as it was typed."""
    then = (
        gettext("What you typed is still here when you come back. Your PIN will do, too.")
        if may_be_pin(request)
        else gettext("What you typed is still here when you come back.")
    )
    return format_html(
        '{} <a href="{}" target="_blank" rel="noopener">{}</a> {}',
        gettext("A manager chose this password and may know it."),
        reverse("password_change"),
        gettext("Choose your own in a new tab."),
        then,
    )


def shown(request: Request) -> None:
    """Note that the person has shown again that it is them."""
    request.session[PROVED] = timezone.now().isoformat()
