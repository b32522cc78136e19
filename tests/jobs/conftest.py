"""What tests of a job mostly begin with."""

import pytest

from jobs.models import Job
from tests.jobs.workshop import Workshop


@pytest.fixture
def shop_floor() -> Workshop:
    return Workshop()


@pytest.fixture
def job(shop_floor: Workshop) -> Job:
    """A wired job in the bay; its plan has no stop."""
    job = shop_floor.job()
    shop_floor.wire(job)
    return job
