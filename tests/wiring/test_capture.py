"""Factory signal capture on outputs whose filters are known."""

import numpy as np
import pytest

from tests.wiring.plans import setting_response
from wiring.errors import WiringError
from wiring.plan import Crossover, Section, Setting
from wiring.tuning import capture
from wiring.tuning.capture import Output, PairSum
from wiring.tuning.response import Complexes, decibels

GRID = np.array([10 ** (k / 10) for k in range(13, 44)])
"""Third octaves from 20 Hz to 20 kHz, as a technician would measure."""


def lr(frequency_hz: float) -> Crossover:
    return Crossover("linkwitz_riley", 4, frequency_hz)


def points(response: Complexes) -> tuple[tuple[float, float], ...]:
    return tuple(zip(GRID.tolist(), decibels(response).tolist(), strict=True))


LOW = setting_response(Setting(low_pass=lr(200.0)), GRID)
HIGH = setting_response(Setting(high_pass=lr(200.0)), GRID)
FULL = np.ones(GRID.size, dtype=np.complex128)


def pair_of(second: Complexes) -> capture.CaptureReport:
    return capture.examine(
        [
            Output("low", "Door left", "left", points(LOW)),
            Output("high", "Dash left", "left", points(second)),
        ],
        [PairSum("low", "high", points(LOW + second))],
    )


def test_what_each_output_carries() -> None:
    middle = setting_response(Setting(high_pass=lr(300.0), low_pass=lr(2_500.0)), GRID)
    report = capture.examine(
        [
            Output("full", "Rear left", "left", points(FULL)),
            Output("low", "Door left", "left", points(LOW)),
            Output("mid", "Dash left", "left", points(middle)),
            Output(
                "high",
                "Pillar left",
                "left",
                points(setting_response(Setting(high_pass=lr(2_500.0)), GRID)),
            ),
        ]
    )
    assert [o.carries for o in report.outputs] == [
        "full range",
        "low band",
        "middle band",
        "high band",
    ]
    # Linkwitz-Riley is 6 dB down at its corner: the limit found is that third octave.
    assert report.outputs[1].high_hz == pytest.approx(200, rel=0.15)
    assert [c.outputs for c in report.covers] == [("full",)]


def test_two_ways_that_belong_together_are_summed() -> None:
    report = pair_of(HIGH)
    assert report.pairs[0].together == "in step"
    cover = report.covers[0]
    assert cover.outputs == ("low", "high")
    assert cover.gaps == ()
    assert cover.inputs == ((1, "low"), (2, "high"))


def test_a_missing_band_is_told() -> None:
    cover = pair_of(setting_response(Setting(high_pass=lr(1_500.0)), GRID)).covers[0]
    assert cover.gaps
    assert all(200 < frequency < 1_500 for frequency, _ in cover.gaps)


def test_opposite_polarity() -> None:
    assert pair_of(-HIGH).pairs[0].together == "inverted"


def test_a_delay_is_found_from_levels_alone() -> None:
    """2.3 ms on one way, wide overlap so that a delay and an all-pass can be told apart."""
    late = FULL * np.exp(-2j * np.pi * GRID * 2.3e-3)
    report = capture.examine(
        [
            Output("a", "Front left", "left", points(FULL)),
            Output("b", "Rear left", "left", points(late)),
        ],
        [PairSum("a", "b", points(FULL + late))],
    )
    assert report.pairs[0].together == "delayed"
    assert report.pairs[0].delay_ms == pytest.approx(2.3, abs=0.02)


def test_an_all_pass_is_found_from_levels_alone() -> None:
    turned = setting_response(Setting(sections=(Section("all_pass", 400.0, q=0.5),)), GRID)
    report = capture.examine(
        [
            Output("a", "Front left", "left", points(FULL)),
            Output("b", "Front right", "right", points(turned)),
        ],
        [PairSum("a", "b", points(FULL + turned))],
    )
    assert report.pairs[0].together == "all-pass"
    assert report.pairs[0].turn_hz == pytest.approx(400, rel=0.1)


def test_an_equalised_output_is_told() -> None:
    shaped = setting_response(
        Setting(
            sections=(Section("low_shelf", 100.0, 5.0, 0.7), Section("peaking", 2_000.0, -4.0, 1.0))
        ),
        GRID,
    )
    report = capture.examine([Output("a", "Front left", "left", points(shaped))])
    assert report.outputs[0].equalised_db > 6
    assert "equaliser" in report.outputs[0].said


def test_what_cannot_be_judged_is_refused() -> None:
    with pytest.raises(WiringError, match="at least one output"):
        capture.examine([])
    with pytest.raises(WiringError, match="fewer than three"):
        capture.examine([Output("a", "Front left", "left", ((100.0, 0.0), (200.0, 0.0)))])
    with pytest.raises(WiringError, match="not among"):
        capture.examine(
            [Output("a", "Front left", "left", points(FULL))], [PairSum("a", "ghost", points(FULL))]
        )
