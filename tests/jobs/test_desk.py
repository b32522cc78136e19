"""What the desk keeps beside a job: words that were said, keys, the way to the customer."""

import threading
from concurrent.futures import ThreadPoolExecutor

import pytest
from django.db import connections
from django.test import Client
from django.urls import reverse

from jobs.errors import Refused
from jobs.lifecycle import Stage
from jobs.models import DeskFacts, Job
from jobs.reads.history import history_of
from jobs.services.check_in import save_check_in
from jobs.services.desk import desk_of, note_said, said_on, save_desk, withdraw
from jobs.sheet import document as sheet_document
from shop.roles import Role
from tests.factories import CustomerFactory, VehicleFactory, make_job, make_staff


def signed_client(*roles: Role) -> Client:
    client = Client()
    client.force_login(make_staff(*roles))
    return client


def strip_of(page: str) -> str:
    """What the strip at the head of a page says, without the form beneath it."""
    begins = page.index('class="desk-facts"')
    return page[begins : page.index("</ul>", begins)]


@pytest.mark.django_db
@pytest.mark.parametrize("stage", [Stage.BOOKED, Stage.IN_BAY, Stage.COLLECTED, Stage.CANCELLED])
def test_a_call_is_noted_in_every_stage_and_once_a_key(stage: Stage) -> None:
    job, other = make_job(stage), make_job(stage)
    technician = make_staff(Role.TECHNICIAN)
    said = "He takes the larger enclosure."
    assert note_said(job.number, "approval", said, actor=technician, key="d_1")
    assert note_said(job.number, "approval", said, actor=technician, key="d_1") is None

    listed = said_on(job)
    assert [(one.after["text"], one.actor) for one in listed] == [(said, technician)]
    assert said_on(other) == []
    assert said in history_of(job, whole=True)[0].sentence


@pytest.mark.django_db
def test_only_what_is_chosen_stands_on_the_sheet() -> None:
    job = make_job(Stage.IN_BAY)
    technician = make_staff(Role.TECHNICIAN)
    note_said(job.number, "call", "Her brother collects the car.", actor=technician)
    chosen = note_said(job.number, "call", "Keep the old aerial.", actor=technician, printed=True)
    assert chosen

    def printed() -> str:
        return str(sheet_document.draft(sheet_document.load(pk=job.pk))["notes"])

    assert "Keep the old aerial." in printed()
    assert "Her brother" not in printed()
    withdraw(job.number, chosen.pk, actor=technician)
    assert "Keep the old aerial." not in printed()


@pytest.mark.django_db
def test_nothing_goes_onto_a_sheet_that_is_closed() -> None:
    job = make_job(Stage.SIGNED_OFF)
    technician = make_staff(Role.TECHNICIAN)
    with pytest.raises(Refused, match="closed"):
        note_said(job.number, "call", "One more thing.", actor=technician, printed=True)
    assert said_on(job) == []
    assert note_said(job.number, "call", "One more thing.", actor=technician)


@pytest.mark.django_db
def test_a_slip_is_withdrawn_once_by_its_writer_or_a_manager_and_stays_to_be_read() -> None:
    job = make_job(Stage.IN_BAY)
    one, another = (make_staff(Role.FRONT_DESK, name="Runa Odell") for _ in range(2))
    first, second = (note_said(job.number, "call", "Come at six.", actor=one) for _ in range(2))
    assert first
    assert second
    with pytest.raises(Refused, match="Runa Odell noted this"):
        withdraw(job.number, first.pk, actor=another)
    for _ in range(2):
        withdraw(job.number, first.pk, actor=one)
    withdraw(job.number, second.pk, actor=make_staff(Role.MANAGER))
    taken_back = [(entry.pk, bool(vars(entry)["withdrawn"])) for entry in said_on(job)]
    assert taken_back == [(second.pk, True), (first.pk, True)]
    assert job.events.filter(code="desk.withdrawn").count() == 2


@pytest.mark.django_db
def test_a_refused_note_keeps_its_words() -> None:
    client = signed_client(Role.TECHNICIAN)
    job = make_job(Stage.SIGNED_OFF)
    url = reverse("said_add", args=[job.number])
    typed = {"how": "call", "text": "A long story", "printed": "on"}
    for headers in ({}, {"hx-request": "true"}):
        answer = client.post(url, typed, headers=headers)
        assert answer.status_code == 422
        assert "A long story" in answer.content.decode()
    assert client.post(url, {"how": "shout", "text": "Hello"}).status_code == 422
    assert client.post(url, {"how": "call", "text": "  "}).status_code == 422
    assert said_on(job) == []
    assert client.post(url, {"how": "call", "text": "Short"}).status_code == 302


@pytest.mark.django_db
def test_phone_and_keys_stand_at_the_head_of_the_job_and_at_check_in() -> None:
    """Two customers of one name: each job says its own way to its own customer."""
    client = signed_client(Role.FRONT_DESK)
    jobs = [
        make_job(vehicle=VehicleFactory(owner=CustomerFactory(name="Ines Halloran", phone=phone)))
        for phone in ("555 0171", "555 0172")
    ]
    for job, reach in zip(jobs, ("Before noon", "By message"), strict=True):
        answer = client.post(
            reverse("desk_strip", args=[job.number]),
            {"version": "0", "reach": reach, "stay": "waits", "keys_at": "", "loaner": ""},
        )
        assert answer.status_code == 302
    for job, mine, others in ((jobs[0], "noon", "message"), (jobs[1], "message", "noon")):
        for name in ("job", "check_in"):
            page = client.get(reverse(name, args=[job.number])).content.decode()
            strip = page[
                page.index('id="desk-strip"') : page.index("</ul>", page.index("desk-facts"))
            ]
            assert job.customer.phone in strip
            assert mine in strip
            assert others not in strip
            assert "Waits here" in strip
    page = client.get(reverse("check_in", args=[jobs[0].number])).content.decode()
    assert jobs[0].wants in page
    assert "Promised for" in page


@pytest.mark.django_db
def test_keys_hang_where_check_in_left_them_until_somebody_moves_them() -> None:
    client = signed_client(Role.TECHNICIAN)
    job = make_job()
    save_check_in(job.pk, {"keys_note": "Peg 7"}, [], version=0, actor=make_staff(Role.FRONT_DESK))
    Job.objects.filter(pk=job.pk).update(stage=Stage.SIGNED_OFF)
    assert "Peg 7" in client.get(reverse("job", args=[job.number])).content.decode()
    save_desk(job.number, {"keys_at": "Safe"}, actor=make_staff(Role.FRONT_DESK), version=0)
    page = client.get(reverse("job", args=[job.number])).content.decode()
    assert "Safe" in strip_of(page)
    assert "Peg 7" not in strip_of(page)


@pytest.mark.django_db
def test_two_people_who_change_the_strip_both_keep_their_field_or_are_told() -> None:
    job = make_job()
    one, two = (make_staff(Role.FRONT_DESK) for _ in range(2))
    save_desk(job.number, {"reach": "Evenings"}, actor=one, version=0)
    version = desk_of(job).version
    save_desk(job.number, {"reach": "Mornings"}, actor=one, version=version)
    other_field = save_desk(job.number, {"keys_at": "Hook 2"}, actor=two, version=version)
    same_field = save_desk(job.number, {"reach": "Never"}, actor=two, version=version)
    assert not other_field.clashes
    assert [clash.theirs for clash in same_field.clashes] == ["Mornings"]
    assert (desk_of(job).reach, desk_of(job).keys_at) == ("Mornings", "Hook 2")


@pytest.mark.django_db(transaction=True)
def test_two_first_entries_at_once_make_one_row() -> None:
    job = make_job()
    people = [make_staff(Role.FRONT_DESK) for _ in range(2)]
    together = threading.Barrier(2)

    def enter(turn: int) -> None:
        together.wait(10)
        changes = {"reach": "Evenings"} if turn else {"keys_at": "Hook 2"}
        save_desk(job.number, changes, actor=people[turn], version=0)
        connections.close_all()

    with ThreadPoolExecutor(2) as at_once:
        list(at_once.map(enter, range(2)))
    row = DeskFacts.objects.get(job=job)
    assert (row.reach, row.keys_at) == ("Evenings", "Hook 2")
