"""A signature, a correction and an export ask again who is there; what was typed stays."""

from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse

from jobs.models import InstallSheet, Job
from jobs.plan.document import findings_of
from jobs.sheet.sign_off import give_reason
from shop.models import CodeApp, ShopEvent, StaffMember
from shop.roles import Role
from shop.services import code_apps, pins, sign_in
from shop.services.people import save_staff
from shop.session_keys import PROOF_LASTS
from tests.clock import later
from tests.factories import PASSWORD, make_shop, make_staff
from tests.jobs.workshop import Workshop

pytestmark = pytest.mark.django_db


@pytest.fixture
def workshop() -> Workshop:
    return Workshop()


@pytest.fixture
def at_tablet(client: Client, workshop: Workshop) -> Client:
    """The manager, signed in by PIN on a registered tablet."""
    client.force_login(workshop.manager)
    client.post(reverse("tablet_register"), {"name": "Bay 1", "bay": ""})
    client.post(reverse("logout"))
    pins.set_pin(workshop.manager, "4826", by=workshop.manager)
    client.post(reverse("tablet_switch"), {"person": workshop.manager.pk, "pin": "4826"})
    return client


def reasoned(workshop: Workshop) -> Job:
    """A job that may be signed."""
    job = workshop.ready()
    for finding in findings_of(job):
        if finding.severity == "caution":
            give_reason(job.pk, finding.fingerprint, "Accepted for the test", workshop.manager)
    return job


def failed() -> list[str]:
    return [event.after["by"] for event in ShopEvent.objects.filter(code=sign_in.FAILED)]


def test_a_sheet_is_signed_by_whoever_shows_again_who_it_is(
    workshop: Workshop, at_tablet: Client
) -> None:
    job = reasoned(workshop)
    url = reverse("review_sign", args=[job.number])
    for given, said in (("", "so that nobody else"), ("0000", "Wrong PIN"), ("wrong", "not your")):
        answer = at_tablet.post(url, {"password": given})
        assert answer.status_code == 422
        assert said in answer.content.decode()
        assert "Your PIN or password" in answer.content.decode()
    assert not InstallSheet.objects.exists()
    assert failed() == ["password", "PIN"]

    assert at_tablet.post(url, {"password": "4826"}).status_code == 302
    assert InstallSheet.objects.get().signed_by == workshop.manager


def test_away_from_a_tablet_a_pin_signs_nothing(workshop: Workshop, client: Client) -> None:
    pins.set_pin(workshop.manager, "4826", by=workshop.manager)
    client.force_login(workshop.manager)
    job = reasoned(workshop)
    url = reverse("review_sign", args=[job.number])
    assert client.post(url, {"password": "4826"}).status_code == 422
    assert client.post(url, {"password": PASSWORD}).status_code == 302


def test_a_correction_asks_and_keeps_the_reason_that_was_typed(
    workshop: Workshop, at_tablet: Client
) -> None:
    sheet = workshop.sign(workshop.ready())
    url = reverse("sheet_correct", args=[sheet.job.number, 1])
    typed = {"reason": "The left tweeter is on the wrong channel"}

    answer = at_tablet.post(url, {**typed, "password": "0000"})
    assert answer.status_code == 422
    assert typed["reason"] in answer.content.decode()
    assert not Job.objects.get(pk=sheet.job_id).correction

    assert at_tablet.post(url, {**typed, "password": PASSWORD}).status_code == 302
    assert Job.objects.get(pk=sheet.job_id).correction


@pytest.mark.parametrize("language", ["en-gb", "de"])
def test_a_password_that_another_manager_chose_signs_nothing_and_leads_to_the_change(
    workshop: Workshop, at_tablet: Client, language: str
) -> None:
    """ASVS 5.0 (2025), 6.4.1: beside a PIN, too, it is no proof of its person."""
    sheet = workshop.sign(workshop.ready())
    given, own = "copper-lantern-4-orchard", "seven-otters-6-in-velvet"
    save_staff(workshop.manager, password=given, by=make_staff(Role.MANAGER))
    StaffMember.objects.filter(pk=workshop.manager.pk).update(language=language)
    at_tablet.post(reverse("tablet_switch"), {"person": workshop.manager.pk, "pin": "4826"})
    url, change = reverse("sheet_correct", args=[sheet.job.number, 1]), reverse("password_change")
    typed = {"reason": "The left tweeter is on the wrong channel"}

    answer = at_tablet.post(url, {**typed, "password": given})
    page = answer.content.decode()
    assert answer.status_code == 422 and typed["reason"] in page
    assert f'<a href="{change}" target="_blank" rel="noopener">' in page
    assert given not in page and failed() == []
    assert not Job.objects.get(pk=sheet.job_id).correction

    new = {"old_password": given, "new_password1": own, "new_password2": own}
    assert at_tablet.post(change, new).status_code == 302
    assert at_tablet.post(url, {**typed, "password": own}).status_code == 302
    assert Job.objects.get(pk=sheet.job_id).correction


def test_wrong_tries_at_a_signature_bring_the_wait_of_the_door(
    workshop: Workshop, at_tablet: Client
) -> None:
    job = reasoned(workshop)
    url = reverse("review_sign", args=[job.number])
    for _ in range(pins.TRIES):
        at_tablet.post(url, {"password": "0000"})
    answer = at_tablet.post(url, {"password": "4826"})
    assert "Too many wrong PINs" in answer.content.decode()
    assert at_tablet.post(url, {"password": PASSWORD}).status_code == 302


def test_where_it_is_required_a_signature_asks_for_the_second_factor_beside_the_pin(
    workshop: Workshop, at_tablet: Client
) -> None:
    url = reverse("review_sign", args=[reasoned(workshop).number])
    make_shop(second_factor_required=True)
    refused = at_tablet.post(url, {"password": "4826", "second": "000000"})
    assert "Set yours up first" in refused.content.decode()

    sealed = code_apps.new_key_sealed()
    CodeApp.objects.create(person=workshop.manager, key_sealed=sealed)
    assert "Type the code" in at_tablet.post(url, {"password": "4826"}).content.decode()
    code = code_apps.code_now(sealed)
    assert at_tablet.post(url, {"password": "", "second": code}).status_code == 422
    assert not InstallSheet.objects.exists()
    assert at_tablet.post(url, {"password": "4826", "second": code}).status_code == 302
    [sheet] = InstallSheet.objects.all()
    correct = reverse("sheet_correct", args=[sheet.job.number, 1])
    typed = {"reason": "The left tweeter is on the wrong channel"}
    assert at_tablet.post(correct, typed).status_code == 422, "the PIN each time"
    assert at_tablet.post(correct, {**typed, "password": "4826"}).status_code == 302


def test_an_export_asks_whoever_signed_in_a_while_ago_and_stands_in_the_log(
    client: Client,
) -> None:
    manager = make_staff(Role.MANAGER)
    form = {"username": manager.username, "password": PASSWORD}
    client.post(reverse("login"), form)
    export = f"{reverse('product_export')}?as=csv"
    assert client.get(export).status_code == 200

    with later(PROOF_LASTS + timedelta(seconds=2)):
        asked = client.get(export)
        assert (
            asked["Location"]
            == f"{reverse('proof_again')}?next=%2Fcatalogue%2Fexport%2F%3Fas%3Dcsv"
        )
        wrong = client.post(asked["Location"], {"password": "wrong"})
        assert wrong.status_code == 422
        assert client.get(export).status_code == 302
        right = client.post(asked["Location"], {"password": PASSWORD})
        assert right["Location"] == export
        assert client.get(export).status_code == 200

    exports = ShopEvent.objects.filter(code=sign_in.EXPORTED)
    assert [(one.actor, one.after["file"]) for one in exports] == [
        (manager, "catalogue-all.csv")
    ] * 2
