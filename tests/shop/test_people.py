"""Customers and staff: reachable customers, and always a manager."""

import pytest
from django.core.exceptions import ValidationError
from django.test import Client
from django.urls import reverse

from shop.forms.people import CustomerForm
from shop.models import Customer, StaffMember
from shop.models.people import phone_tail
from shop.roles import Role
from shop.services.people import save_staff
from tests.factories import PASSWORD, CustomerFactory, make_staff


@pytest.mark.parametrize(
    "text", ["0161 496 0000", "+44 161 496 0000", "161-496-0000", "(0161) 4960000"]
)
def test_one_phone_number_however_it_is_written(text: str) -> None:
    assert phone_tail(text) == "614960000"


@pytest.mark.django_db
def test_a_customer_can_be_reached() -> None:
    form = CustomerForm({"name": "Odo Marrick"})
    assert "say when the car is ready" in str(form.errors["phone"])
    assert CustomerForm({"name": "Odo Marrick", "email": "odo@example.org"}).is_valid()


@pytest.mark.django_db
def test_customers_are_found_by_all_the_words() -> None:
    odo = CustomerFactory(name="Odo Marrick", phone="555 0199", phone_digits="5550199")
    CustomerFactory(name="Odo Fenn", phone="555 0200", phone_digits="5550200")
    for text in ("marr odo", "0199", "555-0199"):
        assert list(Customer.objects.listed(text)) == [odo]


@pytest.mark.django_db
def test_a_phone_number_in_the_book_is_said_and_kept_twice_when_confirmed(client: Client) -> None:
    known = CustomerFactory(name="Odo Marrick", phone="0161 496 0000", phone_digits="01614960000")
    client.force_login(make_staff(Role.FRONT_DESK))
    form = {"name": "Vesna Holloway", "phone": "+44 161 496 0000"}
    page = client.post(reverse("customer_create"), form).content.decode()
    assert "This phone number is in the book already" in page
    assert reverse("customer", args=[known.pk]) in page
    assert Customer.objects.count() == 1
    client.post(reverse("customer_create"), {**form, "known_confirmed": "on"})
    assert Customer.objects.count() == 2
    other = {"name": "Odo M. Marrick", "phone": "0161 496 0000"}
    assert CustomerForm(other, instance=known).is_valid()


@pytest.mark.django_db
def test_the_shop_is_never_left_without_a_manager() -> None:
    only, other = make_staff(Role.MANAGER), make_staff(Role.MANAGER)
    other.is_active = False
    save_staff(other, by=only)
    for change in ("is_manager", "is_active"):
        person = StaffMember.objects.get(pk=only.pk)
        setattr(person, change, False)
        with pytest.raises(ValidationError, match="manager"):
            save_staff(person, by=only)
        with pytest.raises(ValidationError, match="last manager"):
            save_staff(person, by=other)
    assert StaffMember.objects.get(pk=only.pk).roles == {Role.MANAGER}


@pytest.mark.django_db
def test_a_new_password_signs_the_person_out_and_in_again(client: Client) -> None:
    manager, person = make_staff(Role.MANAGER), make_staff(Role.TECHNICIAN)
    theirs = Client()
    theirs.force_login(person)
    client.force_login(manager)
    form = {
        "name": person.name,
        "username": person.username,
        "is_technician": "on",
        "is_active": "on",
    }
    short = client.post(reverse("staff_edit", args=[person.pk]), {**form, "password": "short"})
    assert "too short" in short.content.decode()
    client.post(reverse("staff_edit", args=[person.pk]), {**form, "password": "copper-lantern-4"})

    assert theirs.get(reverse("board")).status_code == 302
    assert not theirs.login(username=person.username, password=PASSWORD)
    assert theirs.login(username=person.username, password="copper-lantern-4")


@pytest.mark.django_db
def test_signing_in_leads_back_to_the_page_that_was_wanted(client: Client) -> None:
    person = make_staff(Role.FRONT_DESK)
    wanted = reverse("customer_list")
    sign_in = client.get(wanted)["Location"]
    answer = client.post(sign_in, {"username": person.username, "password": "wrong"})
    assert f'value="{person.username}"' in answer.content.decode()
    form = {"username": person.username, "password": PASSWORD, "next": wanted}
    assert client.post(sign_in, form)["Location"] == wanted
