"""What is found of a library fails the check unless allowed for; what is not asked is said."""

from datetime import date

import pytest

from deploy.audit import judged

pytestmark = pytest.mark.once

FAULT = {"id": "PYSEC-2026-1", "aliases": ["CVE-2026-9"], "fix_versions": ["2.1"]}
TODAY = date(2026, 12, 1)


def told(*faults: dict[str, object]) -> dict[str, object]:
    """As pip-audit tells it of two packages, one of them unknown to its source."""
    return {
        "dependencies": [
            {"name": "one", "version": "2.0", "vulns": list(faults)},
            {"name": "two", "skip_reason": "not found"},
        ]
    }


@pytest.mark.parametrize(
    ("faults", "allowed", "status", "said"),
    [
        ((), [], 0, "not asked about 1 packages: two"),
        ((FAULT,), [], 1, "one 2.0 has PYSEC-2026-1, mended by 2.1"),
        ((FAULT,), [("CVE-2026-9", TODAY)], 0, "allowed for until 2026-12-01"),
        ((FAULT,), [("PYSEC-2026-1", date(2026, 11, 30))], 1, "was allowed for until 2026-11-30"),
        ((FAULT,), [("PYSEC-2026-2", TODAY)], 1, "PYSEC-2026-2 is allowed for and was not found"),
    ],
)
def test_a_known_fault_fails_unless_it_is_allowed_for(
    faults: tuple[dict[str, object], ...], allowed: list[tuple[str, date]], status: int, said: str
) -> None:
    given = [{"id": one, "until": until} for one, until in allowed]
    found, lines = judged(told(*faults), given, TODAY)
    assert found == status
    assert said in "\n".join(lines)
