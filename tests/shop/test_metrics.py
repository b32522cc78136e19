"""What whoever watches the server is told, and that nobody else is."""

import os
from pathlib import Path
from typing import Any

import pytest
from django.test import Client
from prometheus_client.parser import text_string_to_metric_families

from jobs.lifecycle import Stage
from jobs.models import Job
from shop.backups import default_folder
from shop.models import Branch
from tests.factories import BayFactory, make_job

pytestmark = pytest.mark.django_db

TOKEN = "told-to-the-watch-alone"


def figures(client: Client) -> dict[tuple[str, ...], float]:
    answer = client.get("/metrics", headers={"Authorization": f"Bearer {TOKEN}"})
    assert answer.status_code == 200
    families = text_string_to_metric_families(answer.content.decode())
    return {
        (one.name, *one.labels.values()): one.value for family in families for one in family.samples
    }


@pytest.mark.parametrize(
    "named", ["", f"Basic {TOKEN}", f"Bearer {TOKEN}x", "Bearer ", "Bearer \u00fc"]
)
def test_nobody_without_the_token_is_told_anything(
    client: Client, settings: Any, named: str
) -> None:
    headers = {"Authorization": named}
    assert client.get("/metrics", headers=headers).status_code == 404
    settings.METRICS_TOKEN = TOKEN
    answer = client.get("/metrics", headers=headers)
    assert answer.status_code == 401
    assert b"loombook_" not in answer.content


def test_requests_are_counted_by_page_and_never_by_address(client: Client, settings: Any) -> None:
    settings.METRICS_TOKEN = TOKEN
    told = "loombook_request_seconds_count"
    before = figures(client)
    for address in ("/sign-in/", "/sign-in/?next=/jobs/1009/", "/made-up/1/", "/made-up/2/"):
        client.get(address)
    after = figures(client)
    grown = {key: value - before.get(key, 0) for key, value in after.items() if key[0] == told}
    assert grown[(told, "GET", "login", "200")] == 2
    assert grown[(told, "GET", "none", "404")] == 2
    assert not [key for key in after if any("1009" in part or "made" in part for part in key)]


def test_the_age_of_the_backup_and_the_state_of_the_book(
    client: Client, settings: Any, data_folder: Path
) -> None:
    settings.METRICS_TOKEN = TOKEN
    make_job(Stage.IN_BAY)
    make_job(Stage.COLLECTED)
    told = figures(client)
    assert told[("loombook_live_jobs", "in_bay")] == 1
    assert ("loombook_live_jobs", "collected") not in told
    assert told[("loombook_bays", "taken")] == 1
    assert told[("loombook_mails", "waiting")] == 0
    assert 0 < told[("loombook_disk_free_bytes",)] < told[("loombook_disk_bytes",)]
    assert told[("loombook_database_bytes",)] > 100_000
    assert ("loombook_backup_age_seconds",) not in told, "none was made yet"
    default_folder().mkdir()
    (default_folder() / "loombook-20260101-000000.tar.gz").touch()
    future = default_folder() / "loombook-20990101-000000.tar.gz"
    future.touch()
    os.utime(future, (4e9, 4e9))
    assert 0 <= figures(client)[("loombook_backup_age_seconds",)] < 60


def test_with_several_branches_jobs_and_bays_are_told_of_each(
    client: Client, settings: Any, data_folder: Path
) -> None:
    """Two of one name are two: told by the letters of their job numbers. One without jobs is told
    as none, one that was given up with what it still has; and there are no more lines than that."""
    settings.METRICS_TOKEN = TOKEN
    job = make_job(Stage.IN_BAY)
    name = job.bay.branch.name
    quay, gone = (Branch.objects.create(name=name, letters=one) for one in "QG")
    BayFactory(branch=quay)
    Job.objects.filter(pk=make_job(Stage.BOOKED).pk).update(bay=BayFactory(branch=gone))
    Branch.objects.filter(pk=gone.pk).update(active=False)
    Branch.objects.create(name=name, letters="E")
    told = figures(client)
    jobs = {key[1:]: value for key, value in told.items() if key[0] == "loombook_live_jobs"}
    assert jobs["J", "in_bay"] == 1 and jobs["G", "booked"] == 1 and jobs["Q", "in_bay"] == 0
    assert ("in_bay",) not in jobs and sum(jobs.values()) == 2
    assert len(jobs) == 6 * 3 + 1
    bays = {key[1:]: value for key, value in told.items() if key[0] == "loombook_bays"}
    assert bays["J", "taken"] == 1 and bays["Q", "free"] == 1 and bays["E", "free"] == 0
