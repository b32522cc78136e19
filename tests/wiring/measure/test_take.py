"""Whole recordings of cars that are not there: what was put in comes back."""

import math
from functools import cache

import numpy as np
import pytest

from tests.wiring.measure.cabins import (
    FULL,
    MIDRANGE,
    RATE_HZ,
    TWEETER,
    Driver,
    heard,
    microphone,
    played,
    recorded,
)
from wiring.errors import WiringError
from wiring.measure.calibration import read_calibration
from wiring.measure.faults import Fault, RecordingError
from wiring.measure.signals import LEAD_S, SignalSpec
from wiring.measure.take import Analysis, Take, analyse

SPEC = SignalSpec(channels=1)
SAMPLE_MS = 1000 / RATE_HZ
CABIN = ((1.3, 0.35), (2.1, -0.2), (3.4, 0.25), (5.2, -0.15), (7.7, 0.1))


def thirds_db(driver: Driver, centres_hz: np.ndarray) -> np.ndarray:
    """Mean power of the true response in each third octave (IEC 61260-1:2014 edges), even over
    log frequency, on 400 frequencies of its own."""
    levels = []
    for centre in centres_hz:
        grid = np.geomspace(centre * 10**-0.05, centre * 10**0.05, 400)
        levels.append(10 * math.log10(np.mean(np.abs(driver.response(grid)) ** 2)))
    return np.array(levels)


def worst_db(take: Take, driver: Driver) -> float:
    """Greatest error from 40 Hz to 16 kHz, where the speaker is within 20 dB of its loudest."""
    centres = take.thirds.frequencies_hz
    true = thirds_db(driver, centres)
    inside = (centres > 39) & (centres < 16_100) & (true > np.max(true) - 20)
    assert np.count_nonzero(inside) >= 8
    return float(np.max(np.abs(take.thirds.levels_db - true)[inside]))


def kinds(found: Analysis) -> list[str]:
    return [one.kind for one in found.all_faults]


@pytest.mark.parametrize(
    ("driver", "changes"),
    [
        (FULL, {}),
        (FULL, {"drift_ppm": 100.0, "late_s": -2.3}),
        (TWEETER, {"drift_ppm": -100.0, "late_s": 0.6}),
        (MIDRANGE, {"drift_ppm": 100.0}),
    ],
)
def test_a_response_comes_back_through_noise_drift_and_a_late_start(
    driver: Driver, changes: dict[str, float]
) -> None:
    """Noise 40 dB down, clocks 100 ppm apart, the recorder started at another moment."""
    one = Driver(driver.filters, reflections=CABIN, inverted=True, gain_db=-9.0)
    found = analyse(SPEC, recorded(SPEC, [one], **changes), RATE_HZ)
    (take,) = found.takes
    assert worst_db(take, one) < 0.3
    assert take.polarity == "inverted"
    assert kinds(found) == []
    assert found.drift_ppm == pytest.approx(changes.get("drift_ppm", 0.0), abs=1.3)
    assert found.begins_s == pytest.approx(-changes.get("late_s", 0.0), abs=0.02)


@cache
def pair(drift_ppm: float) -> Analysis:
    """A reference speaker, then another, one after the other in one recording."""
    spec = SignalSpec(channels=1, count=2, pause_s=1.0)
    drivers = [Driver(FULL.filters, 4.0), Driver(TWEETER.filters, 2.615, True)]
    return analyse(spec, recorded(spec, drivers, drift_ppm=drift_ppm), RATE_HZ)


@pytest.mark.parametrize("drift_ppm", [0.0, -100.0])
def test_arrivals_of_one_recording_are_told_apart_to_a_part_of_a_sample(drift_ppm: float) -> None:
    first, second = pair(drift_ppm).takes
    assert first.relative_to == second.relative_to == "sequence"
    assert first.arrival_ms is not None
    assert second.arrival_ms is not None
    assert second.arrival_ms - first.arrival_ms == pytest.approx(-1.385, abs=0.01)
    assert (first.polarity, second.polarity) == ("normal", "inverted")


@pytest.mark.parametrize("drift_ppm", [0.0, 100.0])
def test_an_arrival_counts_from_the_marks_own_speaker(drift_ppm: float) -> None:
    spec = SignalSpec(play_on="right", mark_on="left")
    left, right = played(spec)
    total = heard(left, Driver((("high", 2, 80.0),), 4.0, inverted=True))
    total = total + heard(right, Driver(MIDRANGE.filters, 2.7, gain_db=-6.0))
    (take,) = analyse(spec, microphone(spec, total, drift_ppm=drift_ppm), RATE_HZ).takes
    assert take.relative_to == "mark"
    assert take.arrival_ms == pytest.approx(2.7 - 4.0, abs=min(SAMPLE_MS, 0.02))
    assert take.polarity == "normal"


def test_any_sample_rate_measures() -> None:
    """The recorder at 44.1 kHz, the player at 48 kHz: scipy.signal.resample_poly, 147 : 160."""
    from scipy.signal import resample_poly

    own = resample_poly(recorded(SPEC, [FULL]), 147, 160)
    (take,) = analyse(SPEC, own, 44_100.0).takes
    assert worst_db(take, FULL) < 0.3
    assert kinds(analyse(SPEC, own, 44_100.0)) == []


def test_pulses_tell_polarity() -> None:
    spec = SignalSpec("pulse", channels=1, level_dbfs=-6.0)
    for driver in (FULL, MIDRANGE):
        for inverted in (False, True):
            one = Driver(driver.filters, inverted=inverted, reflections=CABIN)
            (take,) = analyse(spec, recorded(spec, [one], drift_ppm=60.0), RATE_HZ).takes
            assert take.polarity == ("inverted" if inverted else "normal")


def test_a_distortion_of_known_order_is_found_and_no_other() -> None:
    """x + s x^n of a sine a: cos^2 gives a^2/2 of the second, cos^3 gives a^3/4 of the third
    harmonic and 3/4 of the fundamental (power-reduction formulas). Shares are per peak."""
    for order, shares, expected in (
        (2, (0.02,), 0.02 / 2),
        (3, (0.0, 0.02), 0.02 / 4 / (1 + 0.015)),
    ):
        one = Driver(FULL.filters, power=shares)
        (take,) = analyse(SPEC, recorded(SPEC, [one], noise_db=70.0), RATE_HZ).takes
        for part in take.harmonics:
            clear = (part.under.frequencies_hz > 150) & (part.under.frequencies_hz < 3_000)
            if part.order == order:
                assert part.percent[clear] == pytest.approx(100 * expected, rel=0.06)
                assert part.found[clear].all()
            else:
                assert np.max(part.percent[clear]) < 100 * expected / 10


def test_a_clean_speaker_has_no_distortion_over_the_noise() -> None:
    (take,) = analyse(SPEC, recorded(SPEC, [FULL]), RATE_HZ).takes
    assert [part.worst for part in take.harmonics] == [None] * 4


def test_the_background_is_that_of_scipy() -> None:
    """scipy.signal.welch over the quiet end; the band of 1 kHz."""
    from scipy.signal import welch

    random = np.random.default_rng(4)
    own = recorded(SPEC, [FULL], noise_db=200.0) + random.normal(0, 1e-3, 460_800)
    (take,) = analyse(SPEC, own, RATE_HZ).takes
    quiet = own[round((LEAD_S + 1 + 5 + 0.7) * RATE_HZ) : round((LEAD_S + 1 + 5 + 1.5) * RATE_HZ)]
    lines, density = welch(quiet, RATE_HZ, nperseg=9_600)
    band = (lines > 1_000 * 10**-0.05) & (lines < 1_000 * 10**0.05)
    assert take.noise is not None
    at = int(np.argmin(np.abs(take.noise.frequencies_hz - 1_000)))
    theirs = 10 * math.log10(density[band].sum() * lines[1])
    assert take.noise.levels_db[at] == pytest.approx(theirs, abs=1.0)


def test_how_far_the_response_is_over_the_noise_is_how_much_it_errs() -> None:
    """Two recordings apart from noise alone: their difference against what was foretold."""
    quiet = analyse(SPEC, recorded(SPEC, [FULL], noise_db=200.0), RATE_HZ).takes[0]
    noisy = analyse(SPEC, recorded(SPEC, [FULL], noise_db=10.0), RATE_HZ).takes[0]
    lines = quiet.transfer.frequencies_hz
    assert noisy.over_noise is not None
    for hz in (250.0, 1_000.0, 4_000.0):
        band = (lines > hz * 10**-0.05) & (lines < hz * 10**0.05)
        left = np.mean(np.abs(noisy.transfer.response - quiet.transfer.response)[band] ** 2)
        true = 10 * math.log10(np.mean(quiet.transfer.power[band]) / left)
        at = int(np.argmin(np.abs(noisy.over_noise.frequencies_hz - hz)))
        assert noisy.over_noise.levels_db[at] == pytest.approx(true, abs=2.5)


def test_a_calibration_takes_out_what_the_microphone_adds() -> None:
    text = "\n".join(
        f"{hz:.2f}\t{3 * math.log10(hz / 1_000):.3f}" for hz in np.geomspace(15, 22_000)
    )
    calibration = read_calibration(text)
    own = recorded(SPEC, [FULL])
    plain = analyse(SPEC, own, RATE_HZ).takes[0].thirds
    made_up = analyse(SPEC, own, RATE_HZ, calibration=calibration).takes[0].thirds
    added = 3 * np.log10(plain.frequencies_hz / 1_000)
    off = plain.levels_db - made_up.levels_db - added
    assert np.max(np.abs(off[3:-1])) < 0.03


def stopped(samples: np.ndarray, rate_hz: float = RATE_HZ, spec: SignalSpec = SPEC) -> list[Fault]:
    with pytest.raises(RecordingError) as caught:
        analyse(spec, samples, rate_hz)
    assert all(
        one.said.endswith(".") and one.what_to_do.endswith(".") for one in caught.value.faults
    )
    assert all(one.what_to_do in str(caught.value) for one in caught.value.faults[-1:])
    return list(caught.value.faults)


@cache
def good() -> np.ndarray:
    return recorded(SPEC, [FULL])


def test_clipping_stops_and_a_peak_that_touches_full_scale_does_not() -> None:
    loud = good() / np.max(np.abs(good()))
    assert [one.kind for one in stopped(np.clip(loud * 1.4, -1, 1))] == ["clipped"]
    assert [one.kind for one in stopped(np.clip(loud * 1.4, -1, 1) * 0.5)] == ["clipped"]
    assert kinds(analyse(SPEC, loud, RATE_HZ)) == []
    assert kinds(analyse(SPEC, 3 * loud, RATE_HZ)) == []  # floating point has room above 1


def test_silence_stops_and_a_faint_recording_does_not() -> None:
    assert [one.kind for one in stopped(np.zeros(480_000))] == ["silent"]
    assert "silent" in [one.kind for one in stopped(good() * 1e-4)]
    assert "silent" not in kinds(analyse(SPEC, good() * 1e-2, RATE_HZ))


def test_a_low_rate_stops_and_44100_does_not() -> None:
    assert [one.kind for one in stopped(good()[::3], 16_000.0)] == ["low-rate"]


def test_a_rate_that_is_not_the_stated_one_stops() -> None:
    from scipy.signal import resample_poly

    own = resample_poly(good(), 147, 160)
    (fault,) = stopped(own, 48_000.0)
    assert fault.kind == "other-rate"
    assert "48000" in fault.said
    assert "44100" in fault.said


def test_another_sound_stops_and_a_signal_in_much_noise_does_not() -> None:
    random = np.random.default_rng(2)
    other = random.normal(0, 0.01, 480_000)
    assert [one.kind for one in stopped(other)] == ["no-mark"]
    noisy = recorded(SPEC, [FULL], noise_db=6.0)
    assert len(analyse(SPEC, noisy, RATE_HZ).takes) == 1


def test_what_is_cut_off_stops_and_what_is_nearly_cut_off_does_not() -> None:
    for late_s in (2.2, 6.4):
        own = recorded(SPEC, [FULL], late_s=late_s)
        assert [one.kind for one in stopped(own)][-1] == "starts-late"
    for stops_s in (2.6, 6.5):
        own = recorded(SPEC, [FULL], stops_s=stops_s)
        assert [one.kind for one in stopped(own)][-1] == "ends-early"
    for changes in ({"late_s": 1.9}, {"stops_s": 7.2}):
        found = analyse(SPEC, recorded(SPEC, [FULL], **changes), RATE_HZ)
        assert "no-end-mark" in kinds(found)
        assert found.drift_ppm is None
        assert found.takes[0].arrival_ms is None
        assert worst_db(found.takes[0], FULL) < 0.3


def test_a_missing_tail_leaves_the_noise_to_the_quiet_before() -> None:
    cut = analyse(SPEC, recorded(SPEC, [FULL], stops_s=7.2), RATE_HZ)
    assert cut.takes[0].noise is not None
    blind = analyse(SPEC, recorded(SPEC, [FULL], stops_s=7.2, late_s=0.95), RATE_HZ)
    assert "noise-unknown" in kinds(blind)
    assert blind.takes[0].over_noise is None


def test_a_level_that_changes_on_the_way_is_seen() -> None:
    own = good().copy()
    ramp = np.ones(own.size)
    ramp[300_000:] = 10 ** (0.8 / 20)
    assert kinds(analyse(SPEC, own * ramp, RATE_HZ)) == ["level-changed"]
    ramp[300_000:] = 10 ** (0.3 / 20)
    assert kinds(analyse(SPEC, own * ramp, RATE_HZ)) == []


def test_clocks_far_apart_are_told_and_made_up_for() -> None:
    found = analyse(SPEC, recorded(SPEC, [FULL], drift_ppm=500.0), RATE_HZ)
    assert kinds(found) == ["clocks-apart"]
    assert worst_db(found.takes[0], FULL) < 0.3
    assert kinds(analyse(SPEC, recorded(SPEC, [FULL], drift_ppm=200.0), RATE_HZ)) == []


def test_bands_near_the_noise_are_named() -> None:
    from scipy.signal import butter, sosfilt

    random = np.random.default_rng(7)
    hum = sosfilt(
        butter(2, [90, 115], "band", fs=RATE_HZ, output="sos"), random.normal(0, 1, 460_800)
    )
    hum *= np.sqrt(np.mean(good() ** 2)) / np.sqrt(np.mean(hum**2))
    found = analyse(SPEC, good() + 0.7 * hum, RATE_HZ)
    (fault,) = found.takes[0].faults
    assert fault.kind == "noisy-bands"
    assert "80, 100, 125 Hz" in fault.said
    assert kinds(analyse(SPEC, good() + 0.05 * hum, RATE_HZ)) == []


def test_a_speaker_that_was_silent_in_its_turn_is_named() -> None:
    spec = SignalSpec(channels=1, count=2, pause_s=1.0)
    silent = Driver(FULL.filters, gain_db=-200.0)
    found = analyse(spec, recorded(spec, [FULL, silent]), RATE_HZ)
    assert [take.number for take in found.takes] == [0]
    assert kinds(found) == ["not-heard"]
    assert found.faults[0].said == "Not heard in the recording: 2."


def test_a_response_is_read_from_no_tone() -> None:
    with pytest.raises(WiringError, match="tone"):
        analyse(SignalSpec("tone"), good(), RATE_HZ)
