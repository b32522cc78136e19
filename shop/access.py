"""Who may open a view: the mark that every view carries.

`@allow(Role.X, ...)`, `@allow_any_staff` or `@public`. The permission test walks every URL and
fails on a view that carries none of them. `@allow(..., password=True)` also wants a sign-in by
password: a PIN on a shared tablet does not open it. `again=True` wants to be shown within the last
minutes that it is still the same person, by the second factor too where there is one.

Where the business has several branches, whoever does not work in that of what the address names is
refused, here and for every view: of a job by the address's `number`, of anything else by what
`of` says of its `pk`. What `own` says is the person's own, such as a clock that runs, is theirs
wherever they work by now. `anywhere=True` leaves a signed sheet open to be read by every branch.

A manager who has yet to set up the second factor that the shop asks for is led there from every
page but those of `before_set_up=True`. Before that, whoever signed in with a password that a
manager chose is led to choose their own, from every page but those of `before_own=True`; a PIN on a
tablet is not held up.
"""

from collections.abc import Callable, Collection
from functools import wraps
from typing import Any

from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse, HttpResponseBase, HttpResponseRedirect
from django.shortcuts import resolve_url
from django.template.loader import render_to_string
from django.utils.http import urlencode
from django.utils.translation import gettext

from shop import branches
from shop.roles import Role, has_role
from shop.services import second_factor
from shop.session_keys import BY_PIN, SET_UP_FIRST, proved_lately

View = Callable[..., HttpResponseBase]
"""A view: it answers with a page or with a file."""


def _sign_in_first(request: HttpRequest) -> HttpResponse:
    """Sign-in page for a page; for a saving cell a plain 401, so that nothing typed is lost."""
    if getattr(request, "htmx", False):
        html = render_to_string("inc/signed_out.html", request=request)
        return HttpResponse(html, status=401)
    return redirect_to_login(request.get_full_path())


def _ask_first(request: HttpRequest, page: str, back: str = "") -> HttpResponse:
    """The page that asks for the password, and then leads back."""
    if not back:
        back = request.get_full_path() if request.method == "GET" else resolve_url("settings")
    to = f"{resolve_url(page)}?{urlencode({'next': back})}"
    if getattr(request, "htmx", False):
        return HttpResponse(status=204, headers={"HX-Redirect": to})
    return HttpResponseRedirect(to)


def _wanted_first(request: Any, before_set_up: bool) -> str:
    """The page that asks who is there, or leads to the second factor that is needed; nothing when
    all was shown lately."""
    if not proved_lately(request.session):
        return "proof_again"
    if not second_factor.asked_again(request, request.user, request.shop):
        return ""
    if second_factor.has_one(request.user):
        return "proof_again"
    return "" if before_set_up else "second_factor"


def ask_again(request: HttpRequest, back: str) -> HttpResponse | None:
    """The page that asks once more who is there and then leads `back`; nothing where it was shown
    lately. For a view of which only some of what it does wants that."""
    page = _wanted_first(request, before_set_up=False)
    return _ask_first(request, page, back) if page else None


def _first_to(request: HttpRequest, page: str) -> HttpResponse:
    """To a page on which something is done before all else; what a page sends of itself waits."""
    if request.method in {"GET", "HEAD"} and not getattr(request, "htmx", False):
        return HttpResponseRedirect(page)
    return HttpResponse(render_to_string("inc/signed_out.html", request=request), status=401)


def _set_up_first(request: HttpRequest) -> HttpResponse:
    """To the page where a second factor is set up."""
    return _first_to(request, resolve_url("second_factor"))


def _lacks_own_password(request: Any) -> bool:
    """Whether somebody else knows the password by which this person is signed in."""
    return request.user.password_given and not request.session.get(BY_PIN)


def _own_password_first(request: HttpRequest) -> HttpResponse:
    """To the page where one's own password is chosen, and from there to what was wanted."""
    query = urlencode({"next": request.get_full_path()})
    return _first_to(request, f"{resolve_url('password_change')}?{query}")


Branches = Callable[[int], Collection[int]]
"""The keys of the branches that the row of a key belongs to; none where there is no such row."""

Own = Callable[[Any, dict[str, Any]], bool]
"""Whether what an address names is the person's own."""

_of_number: list[Branches] = []


def numbers_name(of: Branches) -> None:
    """Say what the `number` of an address names: by the room that knows, as the program starts."""
    _of_number[:] = [of]


def _branches_of(request: Any, named: dict[str, Any], of: Branches | None) -> set[int]:
    """The branches of what an address names; none in a shop with one. Raises Elsewhere
    where the person does not work in all of them."""
    reach = getattr(request, "branches", None)
    keys: set[int] = set()
    if reach is None:
        return keys
    if "number" in named:
        for branches_of in _of_number:
            keys.update(branches_of(named["number"]))
    if of is not None and "pk" in named:
        keys.update(of(named["pk"]))
    if elsewhere := sorted(reach.named(key) for key in keys - reach.own_keys):
        raise branches.Elsewhere(
            gettext(
                "This belongs to %(branch)s, where you do not work. Ask somebody who does, or a "
                "manager of the whole business."
            )
            % {"branch": ", ".join(elsewhere)}
        )
    return keys


def allow(
    *roles: Role,
    password: bool = False,
    again: bool = False,
    before_set_up: bool = False,
    before_own: bool = False,
    of: Branches | None = None,
    own: Own | None = None,
    anywhere: bool = False,
) -> Callable[[View], View]:
    """Let only staff with one of the roles in; others get 403, strangers the sign-in page.

    With `password`, a person signed in by PIN is first asked for the password; with `again`,
    everybody who has not just signed in or been asked. `before_set_up` opens a page to a manager
    who has yet to set up a second factor, `before_own` to whoever has yet to choose a password of
    their own. `of` gives the branches of the row that `pk` names, and all of them have to be the
    person's, unless what is named is their `own`; `anywhere` asks of no branch.
    """
    allowed = frozenset(roles)

    def mark(view: View) -> View:
        @wraps(view)
        def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
            if not request.user.is_authenticated:
                return _sign_in_first(request)
            if not has_role(request.user, allowed):
                wanted = " or ".join(sorted(role.label.lower() for role in allowed))
                raise PermissionDenied(f"This needs the {wanted} role. Ask a manager.")
            try:
                keys = set() if anywhere else _branches_of(request, kwargs, of)
            except branches.Elsewhere:
                if own is None or not own(request.user, kwargs):
                    raise
                keys = set()
            if not before_own and _lacks_own_password(request):
                return _own_password_first(request)
            if request.session.get(SET_UP_FIRST) and not before_set_up:
                return _set_up_first(request)
            if password and request.session.get(BY_PIN):
                return _ask_first(request, "password_confirm")
            if again and (page := _wanted_first(request, before_set_up)):
                return _ask_first(request, page)
            with branches.looking_at(keys):
                return view(request, *args, **kwargs)

        vars(guarded).update(
            allowed_roles=allowed, needs_password=password, of=of, anywhere=anywhere
        )
        return guarded

    return mark


def allow_any_staff(view: View) -> View:
    """Let every signed-in staff member in."""
    return allow(*Role)(view)


def public(view: View) -> View:
    """Let anybody in, signed in or not."""
    vars(view)["allowed_roles"] = None
    return view
