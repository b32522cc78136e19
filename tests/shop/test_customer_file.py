"""A list of customers: who is who, what is filled in, all or nothing, and taken back."""

from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import Client
from django.urls import reverse

from shop.customer_file import apply_import, guesses, may_be_taken_back, plan_import, take_back
from shop.import_plan import Choice, ImportRefused, State
from shop.models import CatalogueUpload, Customer, ShopEvent, StaffMember
from shop.roles import Role
from shop.services import events
from tests.factories import CustomerFactory, VehicleFactory, make_staff
from tests.racing import at_once

pytestmark = pytest.mark.django_db

HEADINGS = ("Name", "Tel.", "E-Mail", "Street", "ZIP code", "City", "Remarks")


@pytest.fixture
def manager() -> StaffMember:
    return make_staff(Role.MANAGER)


@pytest.fixture
def client(manager: StaffMember) -> Client:
    client = Client()
    client.force_login(manager)
    return client


def listed(by: StaffMember, *rows: tuple[str, ...]) -> CatalogueUpload:
    """A list that waits: each row is as long as it needs to be."""
    full = [(*row, *[""] * (len(HEADINGS) - len(row))) for row in rows]
    return CatalogueUpload.objects.create(
        by=by,
        what=CatalogueUpload.CUSTOMERS,
        file_name="people.csv",
        columns=guesses(HEADINGS),
        sheet={
            "headings": HEADINGS,
            "rows": [{"number": at, "cells": cells} for at, cells in enumerate(full, 2)],
        },
    )


def brought_in(upload: CatalogueUpload, without_wrong: bool = False, **choices: Choice) -> Any:
    chosen = {int(name.removeprefix("row_")): choice for name, choice in choices.items()}
    digest = plan_import(upload, chosen).digest
    return apply_import(upload, chosen, digest, without_wrong=without_wrong)


def states(upload: CatalogueUpload) -> list[str]:
    return [str(one.state) for one in plan_import(upload).outcomes]


def test_a_list_is_chosen_matched_looked_through_and_imported(client: Client) -> None:
    text = (
        "Surname;Forename;Mobile;E-mail;Road;Post code;Town;Since\n"
        "Vendeler;Jorun;0556 700 100;;Mill Row 3;HR 12;Harrowby;2019\n"
        "Ostrel;Kasimir;;k.ostrel@example.org;;;;\n"
    )
    sent = {"file": SimpleUploadedFile("people.csv", text.encode())}
    address = client.post(reverse("customer_import"), sent)["Location"]
    form = client.get(address).context["form"]
    posted = {field: form[field].value() or "" for field in form.fields}
    assert list(posted.values())[-1] == "", "a column that means nothing is left out"
    page = client.get(client.post(address, posted)["Location"])
    assert page.context["writes"] == 2
    assert not Customer.objects.exists()
    upload = CatalogueUpload.objects.get()
    done = {"digest": page.context["digest"]}
    apply = reverse("customer_import_apply", args=[upload.pk])
    assert client.post(apply, done)["Location"] == reverse("customer_list")
    first, second = Customer.objects.order_by("pk")
    assert (first.name, first.address) == ("Jorun Vendeler", "Mill Row 3\nHR 12 Harrowby")
    assert (second.name, second.email) == ("Kasimir Ostrel", "k.ostrel@example.org")
    assert Customer.objects.with_phone("+44 556 700100").get() == first
    assert client.post(apply, done)["Location"] == reverse("customer_import"), "once alone"
    assert Customer.objects.count() == 2


def test_a_list_needs_a_name_and_a_way_to_reach_people(client: Client) -> None:
    text = "Name,Town\nJorun Vendeler,Harrowby\n"
    sent = {"file": SimpleUploadedFile("people.csv", text.encode())}
    address = client.post(reverse("customer_import"), sent)["Location"]
    answer = client.post(address, {"column_0": "name", "column_1": "town"})
    assert answer.status_code == 422
    assert "phone number or the email" in answer.content.decode()
    assert client.post(address, {"column_0": "name", "column_1": "name"}).status_code == 422


def test_who_is_in_the_book_is_filled_in_and_loses_nothing(manager: StaffMember) -> None:
    known = CustomerFactory(
        name="Jorun Vendeler", phone="0556 700 100", email="", address="Old Quay 9"
    )
    row = ("jorun  vendeler", "+44 556 700100", "jorun@example.org", "Mill Row 3")
    upload = listed(manager, row)
    (outcome,) = plan_import(upload).outcomes
    assert (outcome.state, [one.label for one in outcome.changes]) == (State.CHANGED, ["Email"])
    assert any("Address stays Old Quay 9" in note for note in outcome.notes)
    assert not any("Phone" in note for note in outcome.notes), "the same number, otherwise written"
    assert brought_in(upload) == (0, 1)
    known.refresh_from_db()
    assert (known.email, known.phone, known.address) == (
        "jorun@example.org",
        "0556 700 100",
        "Old Quay 9",
    )
    again = listed(manager, row)
    assert states(again) == [State.SAME]
    with pytest.raises(ImportRefused, match="no row adds"):
        brought_in(again)


def test_who_looks_like_somebody_is_left_out_until_somebody_chooses(manager: StaffMember) -> None:
    CustomerFactory(name="Ansel Brook", phone="0556 700 200", email="ansel@example.org")
    rows = (
        ("Maud Brook", "0556 700 200", "", "Mill Row 3"),
        ("Ansel Brook", "0556 999 999"),
        ("Ansel Brooke", "0556 888 888"),
    )
    upload = listed(manager, *rows)
    assert states(upload) == [State.ALIKE, State.ALIKE, State.NEW]
    assert [one.why for one in plan_import(upload).outcomes] == [
        "the same phone number",
        "the same name",
        "",
    ]
    assert brought_in(upload) == (1, 0)
    upload = listed(manager, *rows[:2])
    assert brought_in(upload, row_2=Choice.ADD, row_3=Choice.UPDATE) == (1, 0)
    assert Customer.objects.filter(phone_digits="0556700200").count() == 2
    assert Customer.objects.get(name="Ansel Brook").phone == "0556 700 200"


def test_of_two_equal_customers_neither_is_taken_for_the_other(manager: StaffMember) -> None:
    for _ in range(2):
        CustomerFactory(name="Ansel Brook", phone="0556 700 200")
    (outcome,) = plan_import(listed(manager, ("Ansel Brook", "0556 700 200"))).outcomes
    assert (outcome.state, outcome.record) == (State.ALIKE, outcome.record)
    assert outcome.why == "2 customers of this name are reached there"
    merged, kept = Customer.objects.order_by("pk")
    Customer.objects.filter(pk=merged.pk).update(merged_into=kept)
    (outcome,) = plan_import(listed(manager, ("Ansel Brook", "0556 700 200"))).outcomes
    assert (outcome.state, outcome.record) == (State.SAME, kept)


def test_two_rows_that_say_the_same_are_one_customer(manager: StaffMember) -> None:
    upload = listed(
        manager,
        ("Jorun Vendeler", "0556 700 100"),
        ("JORUN VENDELER", "0556700100"),
        ("Jorun Vendeler", "0556 700 101"),
    )
    assert states(upload) == [State.NEW, State.SAME, State.NEW]


def test_a_wrong_row_stops_the_list_unless_it_is_left_out(
    client: Client, manager: StaffMember
) -> None:
    upload = listed(manager, ("Nobody reached", ""), ("Jorun", "0556 700 100"), ("", "0556 1"))
    assert states(upload) == [State.WRONG, State.NEW, State.WRONG]
    apply = reverse("customer_import_apply", args=[upload.pk])
    digest = plan_import(upload).digest
    refused = client.post(apply, {"digest": digest})
    assert refused.status_code == 409
    assert "row 2 is wrong" in refused.content.decode()
    assert not Customer.objects.exists()
    taken = client.post(apply, {"digest": digest, "without_wrong": "on"})
    assert taken.status_code == 302
    assert Customer.objects.get().name == "Jorun"


def test_a_book_that_changed_meanwhile_is_looked_through_again(manager: StaffMember) -> None:
    upload = listed(manager, ("Jorun Vendeler", "0556 700 100"))
    digest = plan_import(upload).digest
    CustomerFactory(name="Jorun Vendeler", phone="0556 700 100", email="")
    with pytest.raises(ImportRefused, match="Look through it again"):
        apply_import(upload, {}, digest, without_wrong=False)
    assert Customer.objects.count() == 1


def test_a_list_is_taken_back_save_what_is_used_or_changed_since(manager: StaffMember) -> None:
    known = CustomerFactory(name="Ansel Brook", phone="0556 700 200", email="")
    rows = [(f"Customer {at}", f"0556 800 {at:03}") for at in range(4)]
    brought_in(listed(manager, *rows, ("Ansel Brook", "0556 700 200", "ansel@example.org")))
    used, changed, *unused = Customer.objects.exclude(pk=known.pk).order_by("pk")
    VehicleFactory(owner=used)
    changed.note = "Rings twice"
    events.save(changed, manager)
    [event] = may_be_taken_back(3)
    assert take_back(event.pk, manager) == (3, 2)
    assert not Customer.objects.filter(pk__in=[one.pk for one in unused]).exists()
    assert Customer.objects.filter(pk__in=[used.pk, changed.pk]).count() == 2
    known.refresh_from_db()
    assert known.email == ""
    assert take_back(event.pk, manager) == (0, 0)
    assert may_be_taken_back(3) == []


def test_the_log_tells_of_the_list_and_of_each_customer(
    client: Client, manager: StaffMember
) -> None:
    brought_in(listed(manager, ("Jorun Vendeler", "0556 700 100"), ("Kasimir", "0556 700 300")))
    event = ShopEvent.objects.get(code="customers.imported")
    page = client.get(reverse("shop_log")).content.decode()
    assert "List of customers imported" in page
    assert "people.csv" in page
    parts = client.get(f"{reverse('shop_log')}?part_of={event.pk}").content.decode()
    assert parts.count("Customer added") == 2
    take_back(event.pk, manager)
    assert "List of customers taken back" in client.get(reverse("shop_log")).content.decode()


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor == "sqlite", reason="SQLite writes one transaction at a time")
def test_two_who_import_one_list_or_take_it_back_at_once_do_it_once(manager: StaffMember) -> None:
    pk = listed(manager, ("Jorun Vendeler", "0556 700 100")).pk
    waiting = [CatalogueUpload.objects.get(pk=pk) for _ in range(2)]
    digest = plan_import(waiting[0]).digest

    def bring_in() -> object:
        try:
            return apply_import(waiting.pop(), {}, digest, without_wrong=False)
        except ImportRefused as refused:
            return str(refused)

    answers = at_once(bring_in, bring_in)
    assert sorted(map(str, answers)) == ["(1, 0)", "This list is imported already."]
    assert Customer.objects.count() == 1
    [event] = may_be_taken_back(3)
    back = at_once(lambda: take_back(event.pk, manager), lambda: take_back(event.pk, manager))
    assert sorted(map(str, back)) == ["(0, 0)", "(1, 0)"]
    assert not Customer.objects.exists()
