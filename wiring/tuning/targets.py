"""Target curves, and how far a measured response is from one."""

import math
from dataclasses import dataclass
from typing import Final

import msgspec
import numpy as np

from wiring.errors import SMALLEST, WiringError
from wiring.tuning.arrays import require_frequencies
from wiring.tuning.measurements import BAND_SOURCE, Floats, Measurement, bands, nominal_hz

FEWEST_POINTS: Final = 2


class TargetCurve(msgspec.Struct, frozen=True):
    """A wished response: (frequency [Hz], level [dB]) rising in frequency, kept by the shop."""

    name: str
    points: tuple[tuple[float, float], ...]

    def at(self, frequencies_hz: Floats) -> Floats:
        """Level [dB], straight lines over log frequency, level beyond the ends as at them."""
        check(self)
        require_frequencies("frequencies_hz", frequencies_hz)
        x = np.log([point[0] for point in self.points])
        y = [point[1] for point in self.points]
        return np.asarray(np.interp(np.log(frequencies_hz), x, y))


def check(target: TargetCurve) -> None:
    """Raise WiringError unless the curve has two or more points of rising frequency."""
    if len(target.points) < FEWEST_POINTS:
        raise WiringError("points", "a target needs two points or more")
    last = 0.0
    for frequency, level in target.points:
        if not last < frequency < math.inf or frequency < SMALLEST:
            raise WiringError("points", f"{frequency:g} Hz does not follow {last:g} Hz")
        if not abs(level) <= 60 or 0 < abs(level) < SMALLEST:
            raise WiringError("points", f"{level:g} dB at {frequency:g} Hz is no target")
        last = frequency


FLAT: Final = TargetCurve("Flat", ((20.0, 0.0), (20_000.0, 0.0)))
WARM: Final = TargetCurve(
    "Warm",
    ((20.0, 8.0), (60.0, 8.0), (120.0, 4.0), (250.0, 1.0), (1_000.0, 0.0), (20_000.0, -5.0)),
)
"""More bass and a gentle fall of the treble, as many listeners like it: common practice."""

SUPPLIED: Final = (FLAT, WARM)


@dataclass(frozen=True)
class Distance:
    """How far a response is from a target once its overall level is taken out.

    `differences_db` is response minus target per band; `offset_db` the overall level.
    """

    centres_hz: Floats
    differences_db: Floats
    offset_db: float
    rms_db: float
    worst_db: float
    worst_hz: float
    source: str = BAND_SOURCE

    @property
    def rows(self) -> list[tuple[float, float]]:
        """(nominal band [Hz], difference [dB]) for a table of third octaves."""
        return [
            (nominal_hz(float(centre)), float(difference))
            for centre, difference in zip(self.centres_hz, self.differences_db, strict=True)
        ]


def distance(
    measurement: Measurement,
    target: TargetCurve,
    low_hz: float = 20.0,
    high_hz: float = 20_000.0,
    fraction: int = 3,
) -> Distance:
    """Distance to a target in bands of 1/`fraction` octave, all bands counting alike.

    Raises WiringError when no whole band was measured within the limits.
    """
    measured = bands(measurement, fraction, low_hz, high_hz)
    if not measured.frequencies_hz.size:
        raise WiringError("measurement", "no whole band was measured within the limits")
    raw = measured.levels_db - target.at(measured.frequencies_hz)
    offset = float(np.mean(raw))
    differences = raw - offset
    worst = int(np.argmax(np.abs(differences)))
    return Distance(
        measured.frequencies_hz,
        differences,
        offset,
        float(np.sqrt(np.mean(differences**2))),
        float(differences[worst]),
        float(measured.frequencies_hz[worst]),
    )


@dataclass(frozen=True)
class Change:
    """Before against after, per band [dB], each with its overall level taken out."""

    before: Distance
    after: Distance

    @property
    def gained_db(self) -> float:
        """How much nearer the target the response came (root mean square) [dB]."""
        return self.before.rms_db - self.after.rms_db


def compare(
    before: Measurement, after: Measurement, target: TargetCurve = FLAT, fraction: int = 3
) -> Change:
    """Both distances over the bands the two measurements share. Raises WiringError on none."""
    low = max(before.frequencies_hz[0], after.frequencies_hz[0], 20.0)
    high = min(before.frequencies_hz[-1], after.frequencies_hz[-1], 20_000.0)
    return Change(
        *(
            distance(_within(each, low, high), target, low, high, fraction)
            for each in (before, after)
        )
    )


def _within(measurement: Measurement, low_hz: float, high_hz: float) -> Measurement:
    if low_hz >= high_hz:
        raise WiringError("measurement", "the two measurements share no band")
    inner = measurement.frequencies_hz[
        (measurement.frequencies_hz > low_hz) & (measurement.frequencies_hz < high_hz)
    ]
    grid = np.concatenate(([low_hz], inner, [high_hz]))
    return Measurement(grid, measurement.at(grid), measurement.name)
