"""The first page of a person, and whether a page is one that they may see."""

from typing import Final
from urllib.parse import urlencode, urlsplit

from django.urls import Resolver404, resolve, reverse

from shop.models import StaffMember, Tablet
from shop.roles import DESK, Role

BENCH_FIRST: Final = {"who": "open", "when": "today"}
"""What of the board the bench sees first: today's jobs that are theirs, or nobody's yet."""


def first_page(person: StaffMember, tablet: Tablet | None) -> str:
    """The board; for who works at the bench alone their jobs of today, on a bay's tablet of that
    bay."""
    asked: dict[str, object] = {}
    if person.is_technician and person.roles.isdisjoint(DESK):
        asked |= BENCH_FIRST
    if tablet is not None and tablet.bay_id:
        asked["bay"] = tablet.bay_id
    board = reverse("board")
    return f"{board}?{urlencode(asked)}" if asked else board


def may_see(person: StaffMember, path: str) -> bool:
    """Whether the page at an address of our own is open to a role of this person."""
    try:
        view = resolve(urlsplit(path).path).func
    except Resolver404:
        return False
    roles: frozenset[Role] | None = getattr(view, "allowed_roles", frozenset())
    return roles is None or not roles.isdisjoint(person.roles)


def page_for(person: StaffMember, tablet: Tablet | None, wanted: str) -> str:
    """The page that was wanted where the person may see it, else their first page."""
    return wanted if wanted and may_see(person, wanted) else first_page(person, tablet)
