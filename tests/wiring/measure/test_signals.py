"""What is played: against scipy.signal's sweep and pyfar's, and against its own description."""

import math

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings, strategies as st
from scipy import signal as scipy_signal

from wiring.errors import WiringError
from wiring.measure.signals import (
    GAP_S,
    LEAD_S,
    MARK_S,
    RUN_IN,
    RUN_OUT,
    SignalSpec,
    crest_db,
    make,
    mark_at,
    sweep_of,
    times_s,
)

RATE_HZ = 48_000.0
SPEC = SignalSpec(channels=1)


def payload(spec: SignalSpec) -> np.ndarray:
    first = round((LEAD_S + MARK_S + GAP_S) * spec.sample_rate_hz)
    return make(spec).samples[0, first : first + round(spec.payload_s * spec.sample_rate_hz)]


def test_a_sweep_is_the_exponential_one() -> None:
    """scipy.signal.chirp, method "logarithmic": f(t) = f0 (f1 / f0)^(t / T); between the fades."""
    own = payload(SPEC) / 10 ** (SPEC.level_dbfs / 20)
    times = np.arange(own.size) / RATE_HZ
    theirs = scipy_signal.chirp(
        times, SPEC.low_hz, SPEC.seconds, SPEC.high_hz, "logarithmic", phi=-90
    )
    rate_s = sweep_of(SPEC).rate_s
    inside = slice(
        math.ceil(rate_s * math.log(RUN_IN) * RATE_HZ),
        math.floor((SPEC.seconds - rate_s * math.log(RUN_OUT)) * RATE_HZ),
    )
    assert np.max(np.abs(own[inside] - theirs[inside])) < 1e-6
    assert abs(own[0]) < 1e-9
    assert abs(own[-1]) < 1e-3


def test_its_spectrum_is_that_of_an_independent_sweep() -> None:
    """pyfar.signals.exponential_sweep_time (ISO 18233 sweep): same magnitude from 30 Hz to 18 kHz
    within 0.1 dB, third octave by third octave."""
    import pyfar  # takes seconds to load

    own = np.abs(np.fft.rfft(payload(SPEC))) ** 2
    theirs = pyfar.signals.exponential_sweep_time(
        240_000, [SPEC.low_hz, SPEC.high_hz], n_fade_out=2_000, amplitude=0.1, sampling_rate=48_000
    )
    other = np.abs(np.fft.rfft(theirs.time[0])) ** 2
    lines = np.fft.rfftfreq(240_000, 1 / RATE_HZ)
    for hz in np.geomspace(30, 18_000, 20):
        band = (lines > hz / 1.12) & (lines < hz * 1.12)
        assert 10 * np.log10(own[band].sum() / other[band].sum()) == pytest.approx(0, abs=0.1)


@pytest.mark.parametrize("crest", [6.0, 9.0, 12.0])
def test_pink_noise_is_pink_and_has_the_crest_factor_it_states(crest: float) -> None:
    spec = SignalSpec("pink", channels=1, seconds=10.0, crest_db=crest)
    samples = payload(spec)
    middle = samples[2_000:-2_000]
    assert crest_db(middle) == pytest.approx(crest, abs=0.15)
    assert make(spec).crest_db == pytest.approx(crest, abs=0.15)
    rms = np.sqrt(np.mean(middle**2))
    assert 20 * np.log10(rms * math.sqrt(2)) == pytest.approx(spec.level_dbfs, abs=0.05)
    lines, density = scipy_signal.welch(middle, RATE_HZ, nperseg=32_768)
    levels = [
        10 * np.log10(density[(lines > hz / 1.41) & (lines < hz * 1.41)].sum())
        for hz in (63, 250, 1_000, 4_000, 12_000)
    ]
    assert np.ptp(levels) < 0.8


def test_a_tone_has_its_level_against_a_sine_at_full_scale() -> None:
    samples = payload(SignalSpec("tone", channels=1, tone_hz=1_000.0, level_dbfs=-12.0))
    assert np.max(np.abs(samples)) == pytest.approx(10 ** (-12 / 20), rel=1e-3)
    lines = np.abs(np.fft.rfft(samples * np.hanning(samples.size)))
    assert np.argmax(lines) / 5.0 == pytest.approx(1_000.0, abs=0.3)


def test_each_channel_is_named_by_itself() -> None:
    spec = SignalSpec("channels", channels=2, seconds=3.0, pause_s=1.0)
    signal = make(spec)
    assert spec.stretches == ("left", "right", "front", "rear")
    for number, sides in enumerate(((1, 0), (0, 1), (1, 1), (1, 1))):
        first = round((LEAD_S + number * spec.period_s + MARK_S + GAP_S) * RATE_HZ)
        own = signal.samples[:, first : first + round(3.0 * RATE_HZ)]
        assert tuple(int(np.any(row)) for row in own) == sides
        burst = np.abs(own[int(sides[0] == 0)])
        smooth = scipy_signal.fftconvolve(burst, np.ones(960) / 960, "same") > 0.01
        bursts = np.count_nonzero(np.diff(smooth.astype(int)) == 1)
        assert bursts == number + 2
    four = SignalSpec("channels", channels=4)
    assert four.stretches == ("front left", "front right", "rear left", "rear right")


def test_marks_stand_where_the_description_says() -> None:
    spec = SignalSpec(channels=2, count=2, pause_s=1.0, play_on="right", mark_on="left")
    left, right = make(spec).samples
    mark = 0.1 * mark_at(times_s(MARK_S, RATE_HZ))
    for number in range(2):
        for shift in (0.0, spec.stretch_s):
            first = round((LEAD_S + number * spec.period_s + shift) * RATE_HZ)
            assert left[first : first + mark.size] == pytest.approx(mark, abs=1e-12)
            assert not right[first : first + mark.size].any()


specs = st.builds(
    SignalSpec,
    kind=st.sampled_from(["sweep", "tone", "pulse"]),
    sample_rate_hz=st.sampled_from([44_100.0, 48_000.0]),
    level_dbfs=st.floats(-80, -3),
    seconds=st.floats(1.0, 1.5),
    low_hz=st.floats(5, 200),
    high_hz=st.floats(1_000, 21_000),
    count=st.integers(1, 2),
    pause_s=st.floats(0.1, 0.5),
    channels=st.sampled_from([1, 2]),
)


@settings(max_examples=15, deadline=None)
@given(specs)
def test_no_signal_is_louder_than_it_says_and_each_is_made_again_from_its_description(
    spec: SignalSpec,
) -> None:
    signal = make(spec)
    assert np.max(np.abs(signal.samples)) <= 10 ** (spec.level_dbfs / 20) * (1 + 1e-9)
    assert signal.samples.shape[1] == math.ceil(spec.length_s * spec.sample_rate_hz)
    again = msgspec.json.decode(msgspec.json.encode(spec), type=SignalSpec)
    assert np.array_equal(make(again).samples, signal.samples)
    assert not signal.samples[:, : round(0.99 * LEAD_S * spec.sample_rate_hz)].any()


@pytest.mark.parametrize(
    ("field", "wrong", "near"),
    [
        ("sample_rate_hz", 47_000.0, 44_100.0),
        ("level_dbfs", -2.9, -3.0),
        ("level_dbfs", -81.0, -80.0),
        ("seconds", 0.9, 1.0),
        ("seconds", 121.0, 120.0),
        ("high_hz", 24_000.0, 23_900.0),
        ("low_hz", 4.9, 5.0),
        ("count", 33, 32),
        ("pause_s", 61.0, 60.0),
        ("channels", 3, 4),
        ("tone_hz", 24_000.0, 23_000.0),
    ],
)
def test_what_cannot_be_played_is_refused(field: str, wrong: float, near: float) -> None:
    with pytest.raises(WiringError):
        SignalSpec(**{field: wrong})
    assert SignalSpec(**{field: near})


def test_noise_whose_peaks_have_no_room_is_refused() -> None:
    with pytest.raises(WiringError, match="peaks"):
        SignalSpec("pink", level_dbfs=-8.0, crest_db=12.0)
    assert make(SignalSpec("pink", level_dbfs=-9.0, seconds=2.0)).samples.max() <= 1.0
