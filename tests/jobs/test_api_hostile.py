"""The API under requests that somebody else's program makes from its description.

schemathesis makes them, right ones and wrong ones, and looks at every answer: no failure of ours,
only what is described, nothing wrong taken, nothing of what needs a token answered without. How
many: `make fuzz` asks each operation some hundred times.
"""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from django.core.signals import request_finished, request_started
from django.core.wsgi import get_wsgi_application
from django.db import close_old_connections
from hypothesis import HealthCheck, Phase, given, settings as hypothesis_settings
from schemathesis import GenerationMode
from schemathesis.specs.openapi.checks import positive_data_acceptance

from jobs.views.api import DESCRIPTION
from shop.roles import Role
from shop.services import api_tokens, sign_in
from tests.factories import BayFactory, make_staff, make_token
from tests.jobs.every_row import every_row
from tests.laid_once import laid_once

pytestmark = [pytest.mark.django_db, pytest.mark.once]

SCHEMA = schemathesis.openapi.from_path(DESCRIPTION)
SCHEMA.app = get_wsgi_application()
OPERATIONS = [result.ok() for result in SCHEMA.get_all_operations()]
SHARE = 20
"""A form is sent so many times as many hostile posts as an operation is asked."""


@pytest.fixture(scope="module")
def opened(
    django_db_setup: None, django_db_blocker: Any, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[str, Path]]:
    for signal in (request_started, request_finished):
        signal.disconnect(close_old_connections)  # What the rows of this module stand on.
    folder = tmp_path_factory.mktemp("data")
    with laid_once(django_db_blocker, folder):
        every_row()
        BayFactory()
        yield make_token(make_staff(Role.MANAGER))[1], folder
    for signal in (request_started, request_finished):
        signal.connect(close_old_connections)


@pytest.mark.parametrize("operation", OPERATIONS, ids=lambda one: one.label)
def test_whatever_a_program_sends_is_answered_as_described(
    operation: Any,
    opened: tuple[str, Path],
    request: pytest.FixtureRequest,
    monkeypatch: pytest.MonkeyPatch,
    settings: Any,
) -> None:
    monkeypatch.setattr(api_tokens, "A_MINUTE", 10**6)
    monkeypatch.setattr(sign_in, "TRIES_OF_ALL_NAMES", 10**6)
    secret, settings.DATA_DIR = opened
    asked = operation.as_strategy(GenerationMode.POSITIVE)
    asked |= operation.as_strategy(GenerationMode.NEGATIVE)

    @hypothesis_settings(
        max_examples=max(request.config.getoption("--posts") // SHARE, 1),
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
        database=None,
    )
    @given(case=asked)
    def ask(case: Any) -> None:
        # That a right booking may still be refused, for its bay or its day, is no slip.
        case.call_and_validate(
            headers={"Authorization": f"Bearer {secret}", "Accept-Encoding": "identity"},
            excluded_checks=[positive_data_acceptance],
        )

    ask()
