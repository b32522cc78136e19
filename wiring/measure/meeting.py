"""Two measured speakers where they share a band: what they add up to, beside what they should.

What they should add up to has the measured levels of the two and the phase between them that the
filters give, as if both arrived at once: what is left of the difference is of polarity and delay.
Levels add by the phase between them: |a + b|^2 = |a|^2 + |b|^2 + 2 |a| |b| cos(phase).
Limits here are common practice without a source.
"""

from collections.abc import Callable
from typing import Final, Literal

import msgspec
import numpy as np

from wiring.errors import WiringError, require_positive
from wiring.measure.spectra import level_db, mean_in_bands, whole_bands_hz
from wiring.measure.sums import require_one_clock
from wiring.measure.take import Take
from wiring.tuning.arrays import Floats, require_numbers
from wiring.tuning.measurements import nominal_hz
from wiring.tuning.response import Complexes

FRACTION: Final = 12
REACH: Final = 2.0
"""An octave either side of where two filters cross."""
SHARED_DB: Final = 10.0
"""Of two levels further apart than this the phase between them moves the sum by less than 3 dB."""
MEETS_DB: Final = 1.5
STEP_MS: Final = 0.01
CLEARLY: Final = 2.0
"""A delay alone is named unless turning one round as well leaves less than half as much."""
MOST_PERIODS: Final = 0.35
"""Half a period of delay sounds like a polarity over a band this narrow: so far delay is sought."""
FEWEST: Final = 4

Cause = Literal["", "polarity", "delay", "other"]


class Meets(msgspec.Struct, frozen=True):
    """Two speakers in the band they share, by band [Hz, dB].

    `together_db` is their sum as measured, `computed_db` what it should be. `cause` is what most
    likely keeps them apart, empty where they meet; `change_ms` the delay that the upper one lacks
    (negative: has too much of) where that is it, or is wanted beside the polarity. `said` tells
    how they meet, `why` what keeps them apart.
    """

    frequencies_hz: tuple[float, ...]
    lower_db: tuple[float, ...]
    upper_db: tuple[float, ...]
    together_db: tuple[float, ...]
    computed_db: tuple[float, ...]
    apart_db: float
    cause: Cause
    change_ms: float | None
    said: str
    why: str


def shared_bands_hz(crossing_hz: float) -> Floats:
    """The bands within an octave of where two filters cross. Raises WiringError."""
    at = require_positive("crossing_hz", crossing_hz, "Hz")
    return whole_bands_hz(FRACTION, at / REACH, at * REACH)


def meet(lower: Take, upper: Take, crossing_hz: float, between: Complexes) -> Meets | None:
    """How two takes of one clock add up about the frequency at which their filters cross.

    `between` is the upper one's response by its filters over the lower one's, at the bands of
    `shared_bands_hz`, without delays. None where they share too few bands to tell. Raises
    WiringError where they share no clock.
    """
    require_one_clock((lower, upper))
    require_numbers("between", between)
    centres = shared_bands_hz(crossing_hz)
    if between.shape != centres.shape:
        raise WiringError("between", "one value for each band is wanted")
    measured = _Pair(lower, upper, centres)
    seen = (
        (np.abs(measured.lower_db - measured.upper_db) <= SHARED_DB)
        & (centres >= max(lower.low_hz, upper.low_hz))
        & (centres <= min(lower.high_hz, upper.high_hz))
    )
    if np.count_nonzero(seen) < FEWEST:
        return None
    levels = 10 ** (np.stack((measured.lower_db, measured.upper_db)) / 20)
    turn = np.cos(np.angle(between))
    power = np.maximum(np.sum(levels**2, axis=0) + 2 * np.prod(levels, axis=0) * turn, 1e-12)
    computed = np.asarray(level_db(power))

    def apart(change_ms: float, turned: bool) -> float:
        off = (measured.together_db(change_ms, turned) - computed)[seen]
        return float(np.sqrt(np.mean(off**2)))

    together = measured.together_db(0.0, False)
    off = np.where(seen, together - computed, 0.0)
    now = apart(0.0, False)
    cause, change_ms, left = _cause(now, apart, crossing_hz)
    return Meets(
        frequencies_hz=_plain(centres),
        lower_db=_plain(measured.lower_db),
        upper_db=_plain(measured.upper_db),
        together_db=_plain(together),
        computed_db=_plain(computed),
        apart_db=now,
        cause=cause,
        change_ms=change_ms,
        said=_said(crossing_hz, now, off, centres, cause),
        why=_why(cause, change_ms, left),
    )


def _plain(values: Floats) -> tuple[float, ...]:
    return tuple(values.tolist())


class _Pair:
    """Two takes on the lines about the bands they share, and their sums by band."""

    def __init__(self, lower: Take, upper: Take, centres: Floats) -> None:
        lines = lower.transfer.frequencies_hz
        inside = lines <= centres[-1] * 2 ** (1 / FRACTION)
        self.lines, self.centres = lines[inside], centres
        first_ms = min(one.zero_ms or 0.0 for one in (lower, upper))
        self.first, self.second = (
            one.transfer.response[inside]
            * np.exp(-2j * np.pi * self.lines * ((one.zero_ms or 0.0) - first_ms) / 1000)
            for one in (lower, upper)
        )
        self.lower_db, self.upper_db = self._levels(self.first), self._levels(self.second)

    def _levels(self, response: Complexes) -> Floats:
        power = mean_in_bands(self.lines, np.abs(response) ** 2, self.centres, FRACTION)
        return np.asarray(level_db(power))

    def together_db(self, change_ms: float, turned: bool) -> Floats:
        """Level of both with the upper one delayed by so much more, or turned round."""
        sign = -1 if turned else 1
        turn = np.exp(-2j * np.pi * self.lines * change_ms / 1000)
        return self._levels(self.first + sign * self.second * turn)


def _cause(
    now: float, apart: Callable[[float, bool], float], crossing_hz: float
) -> tuple[Cause, float | None, float]:
    """What alone would bring measured and computed together, and what is left of it then [dB]."""
    if now <= MEETS_DB:
        return "", None, now
    enough = max(MEETS_DB, now / 3)
    reach = 1000 * MOST_PERIODS / crossing_hz
    steps = np.arange(-reach, reach + STEP_MS / 2, max(STEP_MS, reach / 80))
    later, both = ([apart(float(step), turned) for step in steps] for turned in (False, True))
    best, best_turned = int(np.argmin(later)), int(np.argmin(both))
    turned = apart(0.0, True)
    if turned <= min(later[best], enough):
        return "polarity", None, turned
    if later[best] <= min(enough, CLEARLY * both[best_turned]):
        return "delay", float(steps[best]), later[best]
    if both[best_turned] <= enough:
        return "polarity", float(steps[best_turned]), both[best_turned]
    return "other", None, now


def _said(crossing_hz: float, now: float, off: Floats, centres: Floats, cause: Cause) -> str:
    if not cause:
        return f"Around {crossing_hz:.0f} Hz the two meet as computed, within {now:.1f} dB (RMS)."
    worst = int(np.argmax(np.abs(off)))
    return (
        f"Around {crossing_hz:.0f} Hz the two give {now:.1f} dB (RMS) other than computed, at "
        f"{nominal_hz(float(centres[worst])):g} Hz {abs(off[worst]):.1f} dB "
        f"{'less' if off[worst] < 0 else 'more'}."
    )


def _why(cause: Cause, change_ms: float | None, left: float) -> str:
    """What alone would bring them together, in a sentence; empty where they meet."""
    if not cause:
        return ""
    if cause == "other":
        return (
            "Neither polarity nor delay alone explains it: look at reflections, at the "
            "microphone's place and at what the speakers turn by themselves."
        )
    if change_ms is None:
        return (
            f"With one of them turned round it would be {left:.1f} dB: polarity is the likely "
            "cause."
        )
    if cause == "polarity":
        return (
            f"With one of them turned round and the upper one {abs(change_ms):.2f} ms "
            f"{'later' if change_ms > 0 else 'earlier'} it would be {left:.1f} dB: polarity is "
            "the likely cause."
        )
    return (
        f"With the upper one {abs(change_ms):.2f} ms {'later' if change_ms > 0 else 'earlier'} it "
        f"would be {left:.1f} dB: delay is the likely cause."
    )
