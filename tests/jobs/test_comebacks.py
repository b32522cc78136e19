"""A car that comes back: what was left beside what is found, warranties, causes."""

from datetime import date, datetime
from zoneinfo import ZoneInfo

import pytest
from django.test import Client
from django.urls import reverse

from jobs.lifecycle import Stage
from jobs.models import ComebackCause, ComebackFacts, Job, ReadingKind, WorkKind
from jobs.reads.history import history_of
from jobs.services.comebacks import (
    after_months,
    save_comeback,
    start_with_usual_causes,
    warranty_of,
)
from jobs.services.step_lists import start_with_usual
from jobs.sheet import document as sheet_document
from jobs.sheet.beside import Group, beside
from shop.roles import Role
from tests.factories import make_job, make_product, make_shop, make_staff


@pytest.mark.parametrize(
    ("day", "months", "last"),
    [
        (date(2026, 3, 14), 12, date(2027, 3, 14)),
        (date(2026, 1, 31), 1, date(2026, 2, 28)),
        (date(2027, 12, 31), 2, date(2028, 2, 29)),
        (date(2026, 12, 1), 1, date(2027, 1, 1)),
        (date(2026, 5, 5), 0, date(2026, 5, 5)),
    ],
)
def test_a_period_of_months_ends_on_the_same_day_or_the_last_of_its_month(
    day: date, months: int, last: date
) -> None:
    """Regulation (EEC, Euratom) No 1182/71, article 3(2)(c), 1971: from memory."""
    assert after_months(day, months) == last


@pytest.mark.django_db
def test_a_warranty_stands_on_its_last_day_in_the_shops_own_time_and_not_after() -> None:
    shop = make_shop(
        time_zone="Pacific/Auckland", work_warranty_months=12, parts_warranty_months=None
    )
    job = make_job(Stage.COLLECTED)
    handed = datetime(2026, 3, 13, 23, 30, tzinfo=ZoneInfo("UTC"))
    Job.objects.filter(pk=job.pk).update(stage_since=handed)
    job.refresh_from_db()
    with_zone = {day: warranty_of(job, day, shop) for day in (date(2027, 3, 14), date(2027, 3, 15))}
    (last,), (after,) = (one.promises for one in with_zone.values())
    assert (last.of, last.until, last.stood) == ("Work", date(2027, 3, 14), True)
    assert (after.until, after.stood) == (date(2027, 3, 14), False)

    not_collected = make_job(Stage.SIGNED_OFF)
    assert warranty_of(not_collected, date(2027, 1, 1), shop).promises == ()


def _group(groups: list[Group], title: str) -> dict[str, tuple[str, str, bool]]:
    (group,) = (one for one in groups if one.title == title)
    return {line.name: (line.then, line.now, line.differs) for line in group.lines}


@pytest.mark.django_db
def test_what_was_left_stands_beside_what_is_found() -> None:
    amplifier, speaker = make_product(), make_product(kind="speaker", impedance_ohm=4.0)
    earlier = make_job(Stage.IN_BAY, parts_wanted=[speaker, amplifier])
    later = make_job(
        Stage.IN_BAY, vehicle=earlier.vehicle, parts_wanted=[amplifier], comeback_of=earlier
    )
    old = earlier.parts.get(product=speaker)
    earlier.parts.filter(pk=old.pk).update(serial="QX-1")
    earlier.parts.create(product=speaker, label="P9", serial="QX-2")
    for job, phase, rest, charging in (
        (earlier, "after", 12.6, 14.2),
        (later, "before", 11.9, 14.2),
    ):
        for kind, value in ((ReadingKind.BATTERY_REST, rest), (ReadingKind.CHARGING, charging)):
            job.readings.filter(kind=kind).update(**{f"{phase}_value": value})

    documents = [sheet_document.draft(sheet_document.load(pk=job.pk)) for job in (earlier, later)]
    groups = beside(*documents)
    parts = [line for group in groups if group.title == "Parts" for line in group.lines]
    assert [line.then for line in parts if line.name == str(speaker)] == [
        f"{old.label}, serial QX-1",
        "P9, serial QX-2",
    ]
    (both,) = (line for line in parts if line.name == str(amplifier))
    assert (both.then, both.now, both.differs) == ("A1", "A1", False)
    readings = _group(groups, "Readings")
    assert readings["Battery at rest"] == ("12.6\u00a0V", "11.9\u00a0V", True)
    assert readings["Charging voltage, engine running"] == ("14.2\u00a0V", "14.2\u00a0V", False)
    assert readings["Key-off draw, asleep"][2] is False


@pytest.mark.django_db
def test_booking_a_comeback_shows_the_old_job_and_presets_its_kind(client: Client) -> None:
    manager = make_staff(Role.MANAGER)
    client.force_login(manager)
    start_with_usual(manager)
    make_shop(work_warranty_months=24)
    product = make_product(name="Six Lantern")
    earlier = make_job(Stage.COLLECTED, parts_wanted=[product], wants="Quiet bass, please")
    kind = WorkKind.objects.get(for_comebacks=True)

    page = client.get(reverse("book"), {"comeback_of": earlier.number}).content.decode()
    shown = page[page.index('id="earlier-job"') :]
    assert "Quiet bass, please" in shown
    assert "Six Lantern" in shown
    assert "Work: within warranty" in shown
    assert checked_kind(page) == kind.pk
    other = WorkKind.objects.exclude(pk=kind.pk).first()
    assert other
    swap = client.get(reverse("earlier_job"), {"comeback_of": earlier.pk}).content.decode()
    assert checked_kind(swap) == kind.pk
    chosen = {"comeback_of": earlier.pk, "work_kind": other.pk}
    assert checked_kind(client.get(reverse("earlier_job"), chosen).content.decode()) == other.pk
    assert checked_kind(client.get(reverse("earlier_job")).content.decode()) is None


def checked_kind(page: str) -> int | None:
    """The kind of work that is chosen in a piece of the booking page."""
    for control in page.split("<input")[1:]:
        tag = control.partition(">")[0]
        if 'name="work_kind"' in tag and "checked" in tag:
            value = tag.partition('value="')[2].partition('"')[0]
            return int(value) if value else None
    return None


@pytest.mark.django_db
def test_the_cause_is_said_on_the_comeback_in_every_stage_and_stays_when_out_of_use(
    client: Client,
) -> None:
    technician = make_staff(Role.TECHNICIAN)
    client.force_login(technician)
    assert start_with_usual_causes(technician) == ComebackCause.objects.count() > 2
    assert start_with_usual_causes(technician) == 0
    earlier = make_job(Stage.COLLECTED)
    later = make_job(Stage.COLLECTED, vehicle=earlier.vehicle, comeback_of=earlier)
    cause, other = ComebackCause.objects.all()[:2]
    url = reverse("comeback", args=[later.number])
    said = {"cause": cause.pk, "found": "Screw of the ring terminal", "version": 0, "key": "t_1"}
    assert client.post(url, said).status_code == 302
    facts = ComebackFacts.objects.get()
    assert (facts.job, facts.cause, facts.found) == (later, cause, said["found"])
    assert "Why it came back" in history_of(later)[0].sentence

    ComebackCause.objects.update(active=False)
    assert client.post(url, {**said, "version": 1, "key": "t_2"}).status_code == 302
    refused = client.post(url, {**said, "cause": other.pk, "version": 1, "key": "t_3"})
    assert refused.status_code == 422
    assert "no longer in the list" in refused.content.decode()
    assert said["found"] in refused.content.decode()
    assert client.get(reverse("comeback", args=[earlier.number])).status_code == 404


@pytest.mark.django_db
def test_two_who_say_why_it_came_back_at_once_lose_neither_word() -> None:
    first, second = make_staff(Role.TECHNICIAN), make_staff(Role.MANAGER)
    earlier = make_job(Stage.COLLECTED)
    later = make_job(Stage.IN_BAY, vehicle=earlier.vehicle, comeback_of=earlier)
    save_comeback(later.number, {"found": "Loose"}, actor=first, version=0, key="a_1")
    saved = save_comeback(later.number, {"found": "Corroded"}, actor=second, version=0, key="b_1")
    assert [(one.mine, one.theirs) for one in saved.clashes] == [("Corroded", "Loose")]
    assert ComebackFacts.objects.get().found == "Loose"
