"""What a job is made of, in words."""

from datetime import UTC, datetime

import pytest
from django.utils import timezone

from jobs import wording
from jobs.symbols import with_symbols
from shop.wording import current

SPACE = "\u00a0"


def test_what_was_set_keeps_the_decimals_it_has() -> None:
    assert wording.level(-3.0) == f"−3.0{SPACE}dB"
    assert wording.level(0.25) == f"+0.25{SPACE}dB"
    assert wording.level(0.0) == f"0.0{SPACE}dB"
    assert wording.delay(1.2) == f"1.20{SPACE}ms"
    assert wording.delay(0.083) == f"0.083{SPACE}ms"


def test_channels_and_speakers_are_called_one_way() -> None:
    assert wording.mark("A1", "amplifier", 3) == "A1.3"
    assert wording.mark("A1", "line", 2) == "A1.L2"
    assert wording.mark("A1", "amplifier", 3, 4) == "A1.3+4"
    assert wording.speaker("tweeter", "front_pillar_left") == "tweeter, front pillar left"
    assert wording.speaker("full_range", "boot") == "full-range speaker, boot"
    assert wording.into_input("A1", None) == "A1 input ?"
    assert wording.cable("25 mm2", "copper_clad_aluminium", 2) == (
        "2 × 25 mm² copper-clad aluminium"
    )


@pytest.mark.parametrize(
    ("plain", "said"),
    [
        ("sample rate taken as 48000 Hz: P1", f"sample rate taken as 48{SPACE}000 Hz: P1"),
        ("wanted -24.1 dB or less", "wanted −24.1 dB or less"),
        ("2 x 25 mm2, 4 ohm", "2 × 25 mm², 4 Ω"),
        ("80 A - 35 A, (27 - 20) V, agm", "80 A − 35 A, (27 − 20) V, AGM"),
        ("door left - door right", "door left - door right"),
        ("fuse-A 12-3, 0.03596 V, LW-20418 A", "fuse-A 12-3, 0.03596 V, LW-20418 A"),
    ],
)
def test_the_texts_of_the_sums_are_written_the_same_way(plain: str, said: str) -> None:
    assert with_symbols(plain) == said


def test_a_record_says_moments_in_the_zone_it_was_made_in() -> None:
    at = datetime(2026, 1, 1, 0, 30, tzinfo=UTC).isoformat()
    record = wording.Local("metric", "America/Lima")
    with timezone.override(UTC):
        assert record.moment(at) == "31 Dec 2025, 19:30"
        assert record.day(at) == "31 Dec 2025"
        assert record.day("2026-01-01") == "1 Jan 2026"


def test_a_small_current_is_told_to_the_hundredth() -> None:
    """A device draws 0.1519 A, its run carries 0.15 A: to the tenth they were 0.2 A and 0.1 A."""
    told = [current(one) for one in (38.58, 1.0, 0.1519, 0.15, -0.8, 0.004, 0.0, None)]
    expected = ["38.6 A", "1.0 A", "0.15 A", "0.15 A", "−0.80 A", "0.0 A", "0.0 A", "–"]
    assert told == [one.replace(" ", SPACE) for one in expected]
