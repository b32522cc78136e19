"""The queue says of each waiting sheet how many findings are open, and the worst."""

import pytest
from django.test import Client
from django.urls import reverse

from jobs.lifecycle import Stage
from jobs.models import Job
from jobs.plan.document import findings_of
from shop.roles import Role
from tests.factories import make_job, make_photo, make_product, make_staff

pytestmark = pytest.mark.django_db


def test_each_row_asks_for_its_own_sheet_and_is_told_what_is_open(client: Client) -> None:
    """Two sheets alike, but for the reasons that one of them has."""
    manager = make_staff(Role.MANAGER)
    client.force_login(manager)
    amplifier = make_product(ratings=[(4, 75, False)])
    jobs = [make_job(Stage.IN_BAY, parts_wanted=[amplifier]) for _ in range(2)]
    for job in jobs:
        job.channels.filter(number=1).update(connector="C1", positive_base="GN")
        Job.objects.filter(pk=job.pk).update(stage=Stage.READY_FOR_REVIEW)
    queue = client.get(reverse("review_queue")).content.decode()
    addresses = [reverse("review_open", args=[job.number]) for job in jobs]
    assert all(f'hx-get="{address}"' in queue for address in addresses)
    cautions = [one for one in findings_of(jobs[0]) if one.severity == "caution"]
    stops = [one for one in findings_of(jobs[0]) if one.severity == "stop"]
    assert cautions
    for one in cautions:
        jobs[1].finding_reasons.create(fingerprint=one.fingerprint, reason="Seen", by=manager)
    first, second = (client.get(address) for address in addresses)
    assert (len(first.context["stops"]), len(first.context["cautions"])) == (
        len(stops),
        len(cautions),
    )
    assert second.context["cautions"] == []
    assert first.context["worst"] == (stops or cautions)[0]
    assert "without a reason" in first.content.decode()
    assert "without a reason" not in second.content.decode()


def test_every_section_the_review_leads_to_stands_on_the_page_and_actions_stand_twice(
    client: Client,
) -> None:
    client.force_login(make_staff(Role.MANAGER))
    job = make_job(Stage.READY_FOR_REVIEW)
    page = client.get(reverse("review", args=[job.number])).content.decode()
    wanted = [part.partition('"')[0] for part in page.split('href="#')[1:]]
    jumps = [one[0] for one in client.get(reverse("review", args=[job.number])).context["jumps"]]
    assert len(jumps) == 10
    assert "sheet-photos" not in jumps
    for name in jumps:
        assert name in wanted
        assert page.count(f' id="{name}"') == 1, name
    assert page.count('data-dialog="send-back"') == 2
    with_photo = make_job(Stage.IN_BAY)
    make_photo(with_photo, job.booked_by)
    Job.objects.filter(pk=with_photo.pk).update(stage=Stage.READY_FOR_REVIEW)
    keys = client.get(reverse("review", args=[with_photo.number])).context["jumps"]
    assert ("sheet-photos", "Photos", "0") in keys
