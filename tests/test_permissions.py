"""Who may open what: every named URL, tried by everybody, with GET and POST.

The URLs come from Django's own table: one without an entry in `tests/permission_table.py` fails,
and so does a view whose mark says otherwise. `tests/permission_ground.py` fills their arguments in.
"""

from copy import deepcopy

import pytest
from django.db import transaction
from django.test import Client
from django.urls import reverse

from shop.roles import Role
from tests.factories import make_staff
from tests.permission_ground import Ground, lay_ground
from tests.permission_table import TABLE, Roles
from tests.url_table import URLS, address_of

OWN_STATUS = {
    "locked_out": 429,
    "metrics": 404,
    "trust_certificate": 404,
    "verify_certificate": 404,
}
"""Pages that say no to whoever sees them, or have nothing here for anybody."""

EVERYBODY: dict[str, Roles] = {
    "nobody signed in": None,
    "front desk": frozenset({Role.FRONT_DESK}),
    "technician": frozenset({Role.TECHNICIAN}),
    "manager": frozenset({Role.MANAGER}),
}


@pytest.fixture
def ground() -> Ground:
    return lay_ground()


def test_every_url_has_a_name_a_mark_and_an_entry() -> None:
    assert [url.route for url in URLS if not url.name] == []
    assert [url.name for url in URLS if not hasattr(url.view, "allowed_roles")] == []
    names = {url.name for url in URLS}
    assert not names - set(TABLE), "say in TABLE who may open these"
    assert not set(TABLE) - names, "these are gone"


def test_the_marks_say_what_the_table_says() -> None:
    marks = {url.name: url.view.allowed_roles for url in URLS if url.name in TABLE}
    assert {name: marks[name] for name in marks if marks[name] != TABLE[name]} == {}


def _problem(name: str, roles: Roles, status: int, location: str) -> str:
    """What is wrong with an answer, empty when nothing is."""
    allowed = TABLE[name]
    if status >= 500:
        return "failed"
    to_the_door = status == 302 and location.startswith(f"{reverse('login')}?next=")
    if allowed is None or (roles is not None and not roles.isdisjoint(allowed)):
        if (status in {401, 403, 404} and status != OWN_STATUS.get(name)) or to_the_door:
            return "was refused or not found"
        return ""
    if roles is None:
        return "" if to_the_door else "was not sent to the sign-in page"
    return "" if status == 403 else "was let in"


@pytest.mark.once
@pytest.mark.django_db
@pytest.mark.parametrize("method", ["get", "post"])
@pytest.mark.parametrize("who", EVERYBODY)
def test_everybody_at_every_url(who: str, method: str, ground: Ground) -> None:
    roles = EVERYBODY[who]
    person = make_staff(*roles) if roles else None
    client = Client(raise_request_exception=False)
    if person:
        client.force_login(person)
    signed_in = deepcopy(client.cookies)
    problems = []
    for url in (one for one in URLS if one.name in TABLE):
        name = url.name
        with transaction.atomic():
            client.cookies = deepcopy(signed_in)
            address = address_of(url, ground)
            data = ground.posts.get(name, {}) if method == "post" else {}
            answer = getattr(client, method)(address, data)
            said = _problem(name, roles, answer.status_code, answer.get("Location", ""))
            if said:
                problems.append(f"{name} {said}: {answer.status_code}")
            transaction.set_rollback(True)
    assert not problems, "\n".join(problems)


@pytest.mark.django_db
def test_a_saving_cell_of_somebody_signed_out_is_told_so_and_not_redirected(
    ground: Ground,
) -> None:
    answer = Client().post(
        reverse("part_add", args=[ground.number]), headers={"HX-Request": "true"}
    )
    assert answer.status_code == 401


@pytest.mark.django_db
def test_somebody_without_a_role_or_no_longer_here_gets_in_nowhere(ground: Ground) -> None:
    idle, gone = make_staff(), make_staff(Role.MANAGER)
    for person, expected in ((idle, 403), (gone, 302)):
        client = Client()
        client.force_login(person)
        if person is gone:
            gone.is_active = False
            gone.save()
        assert client.get(reverse("board")).status_code == expected
