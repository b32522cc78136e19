"""What whoever watches the server is told, and that nobody else is."""

import os
from pathlib import Path
from typing import Any

import pytest
from django.test import Client
from prometheus_client.parser import text_string_to_metric_families

from jobs.lifecycle import Stage
from shop.backups import default_folder
from tests.factories import make_job

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
