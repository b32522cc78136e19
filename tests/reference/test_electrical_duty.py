"""The duty of music against signals made here: how long a channel is loaded, and by what.

Duty is the mean power over that of a full-output sine, 2 / crest factor squared: a sine of full
output has its peaks where the signal has them.
"""

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from scipy import signal

from tests.wiring.plans import amplifier, assuming, changed, good_plan
from wiring.context import Context
from wiring.plan import Assumptions, Channel, Plan, Rating, Speaker
from wiring.power.demand import demands, music_power_w

RATE_HZ = 8000
SECONDS = 60
Floats = npt.NDArray[Any]
TIMES_S = np.arange(RATE_HZ * SECONDS) / RATE_HZ


def duty(samples: Floats) -> float:
    """Mean over full-output power where one sample in 10 000 may be clipped."""
    peak = np.quantile(np.abs(samples), 0.9999)
    return float(2.0 * np.mean(samples**2) / peak**2)


def low_passed(samples: Floats) -> Floats:
    """What a subwoofer channel plays: 24 dB per octave at 80 Hz."""
    sections = signal.butter(2, 80.0, fs=RATE_HZ, output="sos")
    return np.asarray(signal.sosfilt(sections, signal.sosfilt(sections, samples)))


def pink() -> Floats:
    """Noise of equal power an octave, as IEC 60268-1:1985 has for programme, from memory."""
    white = np.random.default_rng(7).standard_normal(TIMES_S.size)
    spectrum = np.fft.rfft(white)
    frequencies = np.fft.rfftfreq(TIMES_S.size, 1 / RATE_HZ)
    spectrum[1:] /= np.sqrt(frequencies[1:])
    spectrum[frequencies < 20] = 0
    return np.asarray(np.fft.irfft(spectrum, TIMES_S.size))


def held_notes() -> Floats:
    """A bass line without a pause: eighths of a saw-tooth, four notes, 120 beats a minute."""
    notes_hz = np.array([41.2, 55.0, 49.0, 61.7])
    pitch = notes_hz[(TIMES_S // 0.25).astype(int) % 4]
    phase = np.cumsum(pitch) / RATE_HZ
    return np.asarray(signal.sawtooth(2 * np.pi * phase))


def drum() -> Floats:
    """A bass drum on each beat: 55 Hz dying away by a factor e in 0.12 s."""
    since_s = TIMES_S % 0.5
    return np.asarray(np.exp(-since_s / 0.12) * np.sin(2 * np.pi * 55.0 * since_s))


def test_broadband_music_is_loaded_an_eighth() -> None:
    """Gaussian noise is clipped a ten-thousandth of the time at 3.89 sigma: 2 / 15.1 = 0.132."""
    found = duty(pink())
    assert found == pytest.approx(2 / 3.8906**2, rel=0.05)
    assert abs(found - Assumptions().music_duty) < 0.02


def test_bass_heavy_music_lies_between_a_drum_with_a_note_and_notes_alone() -> None:
    mixed = duty(low_passed(0.7 * held_notes() + drum()))
    alone = duty(low_passed(held_notes()))
    drums = duty(low_passed(drum()))
    assert drums < mixed < Assumptions().bass_duty < alone, (drums, mixed, alone)
    assert Assumptions().music_duty < mixed


def test_the_duty_is_that_of_the_channels_it_drives() -> None:
    """Class D: idle 1.2 A at 14.4 V, then the duty of the rest; 400 W go to the subwoofer."""
    found = demands(Context(good_plan()))
    idle_w = 1.2 * 14.4
    assert found["mono"].music_w == pytest.approx(idle_w + (400 / 0.8 - idle_w) * 0.33)
    assert found["amp6"].music_w == pytest.approx(idle_w + (360 / 0.8 - idle_w) * 0.125)
    assert found["mono"].duty == pytest.approx(0.33) and found["mono"].bass_w == 400
    edited = assuming(good_plan(), bass_duty=0.125)
    assert demands(Context(edited))["mono"].music_w == pytest.approx(
        idle_w + (400 / 0.8 - idle_w) * 0.125
    )


def test_an_amplifier_for_both_has_the_mean_of_both() -> None:
    plan = Plan(
        devices=(amplifier("a", 2, ratings=(Rating(4.0, 100.0),), idle_current_a=0.0),),
        speakers=(
            Speaker("w", "Sub", "subwoofer", "boot", 4.0),
            Speaker("m", "Mid", "midrange", "front_door_left", 4.0),
        ),
        channels=(
            Channel("a.1", "a", "amplifier", 1, speakers=("w",)),
            Channel("a.2", "a", "amplifier", 2, speakers=("m",)),
        ),
    )
    found = demands(Context(plan))["a"]
    assert found.music_w == pytest.approx((100 * 0.33 + 100 * 0.125) / 0.8)
    mixed = changed(plan, "channels", "a.1", speakers=("w", "m"), joining="parallel")
    assert demands(Context(mixed))["a"].bass_w == 0.0
    assert music_power_w("D", 100.0, 0.0, 0.33) == pytest.approx(33.0)
