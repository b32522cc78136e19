"""Branches of one business: whose rights reach where, numbers by branch, and one that has none."""

import json
import re
from datetime import date, datetime, time, timedelta
from functools import partial
from importlib import import_module
from itertools import pairwise
from types import SimpleNamespace
from typing import Any, NamedTuple

import pytest
from django.apps import apps
from django.core.exceptions import ValidationError
from django.db import connection, transaction
from django.http import HttpResponse
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from jobs.errors import AskFirst
from jobs.lifecycle import Stage
from jobs.lists.messages import MESSAGES
from jobs.models import ClockEnd, Hook, Job, JobEvent, News
from jobs.reads.board import find_jobs, live_jobs
from jobs.reads.plan import day_plan
from jobs.services import clock, events, hooks
from jobs.services.booking import Booking, Slot, book, change_booking
from jobs.sheet import document as sheet_document
from shop import branches, series
from shop.branches import Reach
from shop.hours import calendar_of
from shop.models import Bay, Branch, OpenHours, Shop, ShopEvent, StaffMember
from shop.roles import Role
from shop.services import tablets
from shop.services.branches import put_in, save_branch
from tests.factories import (
    PASSWORD,
    BayFactory,
    VehicleFactory,
    make_job,
    make_shop,
    make_staff,
)
from tests.permission_ground import lay_ground
from tests.permission_table import OF_THE_WHOLE, READ_ANYWHERE, SHARED, TABLE
from tests.racing import at_once
from tests.url_table import URLS, address_of

pytestmark = pytest.mark.django_db

CELL = {"HX-Request": "true"}
"""Of a request from within a page: it is refused in one sentence, and before its method is."""


class Two(NamedTuple):
    """A business of two branches, and who opened the second."""

    first: Branch
    second: Branch
    owner: StaffMember


def second_branch(**overrides: Any) -> Two:
    owner = make_staff(Role.MANAGER)
    make_shop(name="Lantern Street Audio", address="1 Lantern Street", phone="555 0100")
    facts = {"name": "Northside", "letters": "N", "address": "9 Mill Lane", "phone": "555 0900"}
    second = save_branch(Branch(**{**facts, **overrides}), owner)
    return Two(Branch.objects.first_one(), second, owner)


def works_at(*places: Branch, roles: tuple[Role, ...] = tuple(Role)) -> StaffMember:
    person = make_staff(*roles, name="Idris Vane")
    person.branches.set(places)
    return person


def seen_by(two: Two, place: Branch) -> Any:
    return branches.meant(Reach((two.first, two.second), (place,), place))


def client_of(person: StaffMember) -> Client:
    client = Client()
    client.force_login(person)
    return client


@pytest.mark.once
def test_a_person_of_another_branch_is_refused_wherever_an_address_names_one() -> None:
    """Every URL that names a job, bay, hours, person, clock or tablet; what all share, and what is
    read anywhere, stays open."""
    ground, two = lay_ground(), second_branch()
    Bay.objects.get(pk=ground.keys["bay"]).tablets.create(
        name="Bay 1", token_sha256="1" * 64, registered_by=two.owner
    )
    ground.keys["tablet"] = Bay.objects.get(pk=ground.keys["bay"]).tablets.get().pk
    Hook.objects.filter(pk=ground.keys["hook"]).update(branch=two.first)
    client = client_of(works_at(two.second))
    problems = []
    for url in (one for one in URLS if TABLE.get(one.name)):
        shared = url.name.startswith(SHARED) and "number" not in url.arguments
        of_one = "number" in url.arguments or ("pk" in url.arguments and not shared)
        refused = (of_one and url.name not in READ_ANYWHERE) or url.name in OF_THE_WHOLE
        if not (refused or url.name in READ_ANYWHERE):
            continue
        method = client.post if refused else client.get
        with transaction.atomic():
            status = method(address_of(url, ground), headers=CELL).status_code
            transaction.set_rollback(True)
        if (status == 403) != refused:
            problems.append(f"{url.name}: {status}")
    assert not problems, "\n".join(problems)


@pytest.mark.once
def test_whoever_works_in_both_is_let_in_and_looks_at_one() -> None:
    ground, two = lay_ground(), second_branch()
    both = client_of(works_at(two.first, two.second))
    own = client_of(works_at(two.first))
    for name in ("job", "bay", "job_edit", "bay_edit", "absence_remove", "clock_correct"):
        url = next(one for one in URLS if one.name == name)
        answers = [client.get(address_of(url, ground)).status_code for client in (both, own)]
        assert set(answers) <= {200, 405}, name
    there = make_job(Stage.IN_BAY, bay=BayFactory(branch=two.second))
    shown = reverse("job", args=[there.number])
    assert f"card-{ground.number}" in both.get(reverse("board")).content.decode()
    both.post(reverse("branch_show"), {"branch": two.second.pk})
    board = both.get(reverse("board")).content.decode()
    assert shown in board
    assert f"card-{ground.number}" not in board
    own.post(reverse("branch_show"), {"branch": two.second.pk})
    assert shown not in own.get(reverse("board")).content.decode()


@pytest.mark.once
def test_ones_own_clock_is_stopped_wherever_one_works_by_now() -> None:
    two = second_branch()
    person, other = works_at(two.first), works_at(two.second)
    jobs = [make_job(Stage.IN_BAY, bay=BayFactory(branch=two.first)) for _ in range(2)]
    mine, theirs = (reverse("clock_stop", args=[job.number]) for job in jobs)
    entry = clock.start(jobs[0].number, person).entry
    clock.start(jobs[1].number, works_at(two.first))
    person.branches.set([two.second])
    client, listed = client_of(person), reverse("clock_list")
    assert client.get(reverse("bay", args=[jobs[0].number])).status_code == 403
    page = client.get(listed).content.decode()
    assert mine in page and theirs not in page
    assert reverse("bay", args=[jobs[0].number]) not in page, "no way to a closed page"
    right = reverse("clock_correct", args=[entry.pk])
    assert client.get(right).status_code == 200, "a forgotten one is put right there"
    for one in (client_of(other).post(mine), client.post(theirs)):
        assert one.status_code == 403
    paused = client.post(reverse("clock_pause", args=[jobs[0].number]))
    assert paused["Location"] == listed
    assert client.post(mine)["Location"] == listed
    entry.refresh_from_db()
    assert entry.ended_by == ClockEnd.STOPPED and entry.ended_at
    assert client.post(mine).status_code == client.get(right).status_code == 403, "it is over"
    start = client.post(reverse("clock_start", args=[jobs[0].number]))
    assert start.status_code == 403


@pytest.mark.once
def test_two_equal_branches_are_told_apart_by_what_they_are_and_not_by_name() -> None:
    """The same bay name, the same person's name, the same place in the series, other hours."""
    two = second_branch(name="Lantern Street Audio")
    bays = [BayFactory(name="Bay 1", branch=place) for place in two[:2]]
    people = [works_at(place) for place in two[:2]]
    for place, opens in zip(two[:2], (time(8), time(10)), strict=True):
        OpenHours.objects.create(
            branch=place, weekday=timezone.localdate().weekday(), opens_at=opens, closes_at=time(18)
        )
    jobs = [booked(bay, person) for bay, person in zip(bays, people, strict=True)]
    assert [str(job) for job in jobs] == ["J1001", "N1001"]
    for place, job, person in zip(two[:2], jobs, people, strict=True):
        with seen_by(two, place):
            assert live_jobs() == [job]
            assert find_jobs("1001").jobs == [job, next(one for one in jobs if one != job)]
            plan = day_plan(timezone.localdate())
            assert [row.bay for row in plan.rows] == [job.bay]
            assert person in [one.person for one in plan.people]
            assert [one.person.pk for one in plan.people if one.person in people] == [person.pk]
            assert find_jobs(str(job)).jobs == [job]
    at = timezone.make_aware(datetime.combine(timezone.localdate(), time(9)))
    assert [bool(calendar_of([at], place.pk).outside(at)) for place in two[:2]] == [False, True]
    client = client_of(people[1])
    assert client.get(reverse("job", args=[jobs[0].number])).status_code == 403
    found = client.get(reverse("find"), {"q": jobs[0].vehicle.plate}).content.decode()
    assert "J1001" in found
    assert reverse("job", args=[jobs[0].number]) not in found


def booked(bay: Bay, technician: StaffMember | None = None, hours_on: int = 1) -> Job:
    starts_at = timezone.now().replace(minute=0, second=0, microsecond=0)
    starts_at += timedelta(hours=hours_on)
    ends_at = starts_at + timedelta(hours=2)
    vehicle = VehicleFactory()
    wanted = Booking(
        customer=vehicle.owner,
        vehicle=vehicle,
        slot=Slot(bay, starts_at, ends_at),
        promised_at=ends_at,
        wants="More bass",
        technician=technician,
    )
    try:
        return book(wanted, make_staff(Role.FRONT_DESK))
    except AskFirst as asked:
        return book(wanted, make_staff(Role.FRONT_DESK), confirmed=asked.token)


@pytest.mark.once
def test_a_job_goes_to_another_branch_after_a_yes_and_keeps_its_number() -> None:
    two = second_branch()
    technician = works_at(two.first, roles=(Role.TECHNICIAN,))
    job = booked(BayFactory(name="Bay 1"), technician)
    there = BayFactory(name="Bay 1", branch=two.second)
    with pytest.raises(AskFirst) as asked:
        change_booking(job.pk, {"bay": there}, version=1, actor=two.owner)
    assert "Northside" in str(asked.value)
    assert "does not work at" in str(asked.value)
    job.refresh_from_db()
    assert job.bay != there
    moved = change_booking(
        job.pk, {"bay": there}, version=1, actor=two.owner, confirmed=asked.value.token
    )
    assert (str(moved), moved.bay.branch) == ("J1001", two.second)
    event = JobEvent.objects.get(job=job, code="job.branch")
    assert event.after == {"branch": "Northside"}
    assert client_of(technician).get(moved.get_absolute_url()).status_code == 403
    beside = BayFactory(branch=two.second)
    change_booking(job.pk, {"bay": beside}, version=moved.version, actor=two.owner)
    assert JobEvent.objects.filter(code="job.branch").count() == 1


@pytest.mark.once
def test_a_desk_books_and_moves_into_bays_of_its_own_branches_alone() -> None:
    two = second_branch()
    here, there = BayFactory(), BayFactory(branch=two.second)
    job = booked(here)
    client = client_of(works_at(two.first))
    shift = {"bay": there.pk, "to": f"{date.today():%Y-%m-%d}T10:00", "version": 1}
    assert client.post(reverse("job_shift", args=[job.number]), shift).status_code == 422
    for page in (reverse("book"), f"{reverse('book')}?bay={there.pk}&day=2030-01-07&at=09:00"):
        assert f'name="bay" value="{there.pk}"' not in client.get(page).content.decode()
    edited = client.get(reverse("job_edit", args=[job.number])).content.decode()
    assert f'value="{here.pk}"' in edited
    assert f'name="bay" value="{there.pk}"' not in edited
    job.refresh_from_db()
    assert job.bay == here


@pytest.mark.once
def test_a_program_is_told_of_the_branch_it_was_added_for_and_nobody_adds_beyond_their_own(
    settings: Any,
) -> None:
    """Two branches of one name, a job of each: told by what each is."""
    settings.HOOKS_INSIDE = True
    two = second_branch()
    two.second.name = two.first.name
    two.second.save()
    create = reverse("hook_create")
    typed = {"address": "http://127.0.0.1:9/x", "news": [News.STAGE], "password": PASSWORD}
    local, whole = client_of(works_at(two.second)), client_of(two.owner)
    for client, name, branch, status in (
        (local, "Taken over", two.first.pk, 422),
        (local, "Of all", "", 422),
        (local, "Of one", two.second.pk, 200),
        (whole, "Of all", "", 200),
    ):
        answer = client.post(create, {**typed, "name": name, "branch": branch})
        assert answer.status_code == status, name
    of_one, of_all = Hook.objects.get(name="Of one"), Hook.objects.get(name="Of all")
    assert ShopEvent.objects.get(name="Of one", code=hooks.MADE).after["branch"]
    jobs = [make_job(bay=BayFactory(branch=place)) for place in (two.first, two.second)]
    for job in jobs:
        stages = {"before": {"stage": "booked"}, "after": {"stage": "cancelled"}}
        events.log(Job.objects.get(pk=job.pk), two.owner, "job.cancel", **stages)
    told = {
        hook: [json.loads(one.body)["data"]["job"] for one in hook.deliveries.order_by("pk")]
        for hook in (of_one, of_all)
    }
    assert told == {of_one: [jobs[1].number], of_all: [job.number for job in jobs]}
    shown = client_of(works_at(two.first)).get(reverse("hook_list")).content.decode()
    assert "Of all" in shown and "Of one" not in shown


@pytest.mark.once
def test_a_tablet_in_a_bay_offers_the_people_of_its_branch() -> None:
    two, technician = second_branch(), (Role.TECHNICIAN,)
    here, there = (works_at(place, roles=technician) for place in two[:2])
    StaffMember.objects.update(pin="set")
    _, token = tablets.register("Bay 1", BayFactory(branch=two.second), two.owner)
    client, answer = Client(), HttpResponse()
    tablets.remember(answer, token)
    client.cookies = answer.cookies
    offered = client.get(reverse("tablet_switch")).content.decode()
    assert f'value="{there.pk}"' in offered
    assert f'value="{here.pk}"' not in offered


@pytest.mark.once
def test_nobody_gives_more_than_they_have_and_the_whole_business_stays_with_somebody() -> None:
    two = second_branch()
    manager = works_at(two.first, roles=(Role.MANAGER,))
    client = client_of(manager)
    form = client.get(reverse("staff_create")).content.decode()
    assert "whole_business" not in form
    assert "Northside" not in form
    typed = {
        "name": "Pell Orrin",
        "username": "pell",
        "is_technician": "on",
        "is_active": "on",
        "password": "four odd words lantern",
        "branches": [two.second.pk],
        "whole_business": "on",
    }
    assert client.post(reverse("staff_create"), typed).status_code == 422
    typed["branches"] = [two.first.pk]
    assert client.post(reverse("staff_create"), typed).status_code == 302
    pell = StaffMember.objects.get(username="pell")
    assert (list(pell.branches.all()), pell.whole_business) == ([two.first], False)
    assert client.get(reverse("staff_edit", args=[two.owner.pk])).status_code == 403
    both = works_at(two.first, two.second)
    assert client.get(reverse("staff_edit", args=[both.pk])).status_code == 403
    with pytest.raises(ValidationError):
        put_in(two.owner, [two.first], whole_business=False, by=two.owner)
    told = ShopEvent.objects.filter(code="staffmember.changed", subject=f"staffmember:{pell.pk}")
    assert told.get().after["branches"] == two.first.name


@pytest.mark.once
def test_papers_and_mails_name_the_branch_and_what_is_frozen_stays() -> None:
    before = frozen_of(make_job(Stage.IN_BAY))
    two = second_branch()
    jobs = [make_job(Stage.IN_BAY, bay=BayFactory(branch=place)) for place in two[:2]]
    one, other = (frozen_of(job)["shop"] for job in jobs)
    assert before["shop"]["name"] == "Our shop"
    own = {"name": "Lantern Street Audio · Northside", "address": "9 Mill Lane"}
    assert other == before["shop"] | own | {"phone": "555 0900"}
    assert (one["name"], one["address"]) == ("Lantern Street Audio", "1 Lantern Street")
    text = MESSAGES["ready"].text(
        Job.objects.with_names().get(pk=jobs[1].pk), Shop.objects.current()
    )
    assert text.endswith("Lantern Street Audio · Northside\n555 0900")


def frozen_of(job: Job) -> dict[str, Any]:
    signing = sheet_document.Signing(1, make_staff(Role.MANAGER), timezone.now())
    return sheet_document.freeze(sheet_document.load(pk=job.pk), signing)


def test_letters_and_numbers_are_each_others_and_no_series_meets_another() -> None:
    every = ["J", "A", "Z", "AA", "ZZ"]
    for letters in every:
        for place in (1001, series.LENGTH - 1):
            number = series.begins_at(letters) + place
            assert number < 2**31
            assert series.code_of(number) == f"{letters}{place}"
            assert series.numbers_meant(f" {letters.lower()}-{place}") == [number]
    firsts = sorted(series.begins_at(letters) for letters in every)
    assert all(b - a >= series.LENGTH for a, b in pairwise(firsts))
    assert series.numbers_meant("1001", ("N", "J")) == [series.begins_at("N") + 1001, 1001]
    assert series.numbers_meant("J") == series.numbers_meant("J12x") == []


WORDS = re.compile(r"branch|whole business|Works at", re.IGNORECASE)


@pytest.mark.once
def test_a_shop_with_one_branch_sees_no_word_of_it() -> None:
    ground = lay_ground()
    client = client_of(make_staff(*Role))
    pages = [
        *("board", "plan", "free_times", "book", "find", "review_queue", "numbers", "clock_list"),
        *("parts_to_come", "settings", "staff_list", "staff_create", "hours", "bay_create"),
        *("tablet_list", "tablet_register", "shop_log", "customer_list"),
    ]
    addresses = [reverse(name) for name in pages]
    by_name = {url.name: url for url in URLS}
    for name in ("job", "job_edit", "bay", "vehicle", "customer", "staff_edit", "bay_edit"):
        addresses.append(address_of(by_name[name], ground))
    for address in addresses:
        answer = client.get(address)
        assert answer.status_code == 200, address
        assert not WORDS.search(answer.content.decode()), address
    assert Shop.objects.current().several_branches is False


@pytest.mark.once
def test_the_shop_that_stood_becomes_the_first_branch_and_counts_on() -> None:
    """The function of the migration, over a shop that still keeps its own count."""
    bay, person = BayFactory(branch=Branch.objects.create(letters="X")), make_staff()
    stood = SimpleNamespace(name="Lantern Street Audio", next_job_number=1042)
    old_shop = SimpleNamespace(objects=SimpleNamespace(first=lambda: stood))
    tables = SimpleNamespace(
        get_model=lambda app, name: old_shop if name == "Shop" else apps.get_model(app, name)
    )
    import_module("shop.migrations.0037_the_first_branch").one_branch(tables, None)
    first = Branch.objects.first_one()
    bay.refresh_from_db()
    assert (first.name, first.next_job_number, bay.branch) == (stood.name, 1042, first)
    assert list(first.people.all()) == [person]


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite writes one at a time")
def test_branches_that_book_at_once_each_take_the_next_of_their_own_numbers() -> None:
    two = second_branch()
    bays = [BayFactory(branch=place) for place in (*two[:2], *two[:2])]
    done = at_once(*[partial(booked, bay) for bay in bays])
    assert sorted(map(str, done)) == ["J1001", "J1002", "N1001", "N1002"]
