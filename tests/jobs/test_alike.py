"""Findings that one and the same thing puts right stand together, and take one reason."""

from functools import partial
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.urls import reverse

from jobs.errors import Refused
from jobs.models import Job, JobEvent
from jobs.plan.document import findings_of
from jobs.sheet.sign_off import give_one_reason
from tests.jobs.workshop import Workshop
from tests.racing import at_once

pytestmark = pytest.mark.django_db

EMPTY: dict[str, Any] = {
    "connector": "", "positive_cavity": "", "positive_base": "", "positive_stripe": "",
    "negative_cavity": "", "negative_base": "", "negative_stripe": "", "polarity_proved": None,
}  # fmt: skip


@pytest.fixture
def floor() -> Workshop:
    return Workshop()


@pytest.fixture
def job(floor: Workshop) -> Job:
    """Four wires not written, and nothing said about how the amplifier is turned on."""
    job = floor.job()
    floor.wire(job)
    job.channels.update(**EMPTY)
    return job


def _cautions(job: Job, rule: str) -> list[str]:
    return [one.fingerprint for one in findings_of(job) if one.rule == rule]


def _reasons(job: Job) -> dict[str, str]:
    return dict(job.finding_reasons.values_list("fingerprint", "reason"))


def test_findings_alike_are_one_card_and_take_one_reason(
    client: Client, job: Job, floor: Workshop
) -> None:
    client.force_login(floor.technician)
    address = reverse("bay_findings", args=[job.number])
    page = client.get(address).content.decode()
    assert page.count("Write its plug, pin and colours while it can be seen.") == 1
    assert page.count('class="findings-alike caution"') == 1 and "4 × Caution" in page
    assert page.count("turned on.") == 1

    wires = _cautions(job, "wire-not-written")
    other = _cautions(job, "power-turn-on")
    asked = {"fingerprint": wires, "reason": " Moulded loom ", "key": "dev_one"}
    url = reverse("bay_finding_reasons", args=[job.number])
    page = client.post(url, asked, follow=True).content.decode()
    assert "4 cautions have this reason now." in page and 'value="Moulded loom"' in page
    assert _reasons(job) == dict.fromkeys(wires, "Moulded loom")
    client.post(url, asked)
    assert JobEvent.objects.filter(job=job, code="finding.reason").count() == 4

    mixed = {"fingerprint": [*wires[:2], *other, "no-such@A1"], "reason": "Seen", "key": "dev_two"}
    client.post(url, mixed)
    assert _reasons(job) == {**dict.fromkeys([*wires[:2], *other], "Seen"), **dict.fromkeys(
        wires[2:], "Moulded loom"
    )}  # fmt: skip
    client.post(url, {"fingerprint": wires, "reason": "", "key": "dev_three"})
    assert _reasons(job) == dict.fromkeys(other, "Seen")


def test_a_stop_takes_no_reason_and_a_closed_sheet_none_at_all(job: Job, floor: Workshop) -> None:
    job.runs.all().delete()
    stops = _cautions(job, "power-path-missing")
    assert len(stops) == 2
    assert give_one_reason(job.pk, stops, "Never mind", floor.technician) == 0
    assert _reasons(job) == {}
    wires = _cautions(job, "wire-not-written")
    with pytest.raises(Refused, match="technician or a manager"):
        give_one_reason(job.pk, wires, "Moulded loom", floor.desk)
    Job.objects.filter(pk=job.pk).update(stage="signed_off")
    with pytest.raises(Refused, match="in the bay or in review"):
        give_one_reason(job.pk, wires, "Moulded loom", floor.technician)
    assert _reasons(job) == {}


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor == "sqlite", reason="SQLite writes one transaction at a time")
def test_one_reason_sent_twice_at_once_is_given_once() -> None:
    floor = Workshop()
    job = floor.job()
    floor.wire(job)
    job.channels.update(**EMPTY)
    wires = _cautions(job, "wire-not-written")
    give = partial(give_one_reason, job.pk, wires, "Moulded loom", floor.technician, "dev_one")
    assert sorted(map(str, at_once(give, give))) == ["0", "4"]
    assert JobEvent.objects.filter(job=job, code="finding.reason").count() == 4


def test_the_panel_of_a_section_says_alike_findings_in_one_line(
    client: Client, job: Job, floor: Workshop
) -> None:
    """Rows below the first three are written: while rows are entered these were passed over."""
    client.force_login(floor.technician)
    job.channels.filter(number=4).update(connector="Door plug", positive_cavity="7")
    address = reverse("bay_channels", args=[job.number])
    page = client.get(address).content.decode()
    panel = page[page.index('id="panel"') : page.index("</details>", page.index('id="panel"'))]
    assert panel.count("Write its plug, pin and colours while it can be seen.") == 1
    assert "channel 1 is not written down, and 2 more like it" in panel
    job.channels.filter(number__in=(2, 3)).update(connector="Door plug")
    page = client.get(address).content.decode()
    assert "channel 1 is not written down" in page and "more like it" not in page
