"""Whether a second car plays as the first: one verdict with words."""

from typing import Final, Literal

import msgspec
import numpy as np

from wiring.errors import WiringError, require_positive
from wiring.tuning.measurements import Measurement, bands, nominal_hz

Light = Literal["green", "amber", "red"]

TOLERANCE_DB: Final = 2.0
LOW_HZ: Final = 100.0
HIGH_HZ: Final = 10_000.0
NEARLY: Final = 0.15
"""With no more than this share of bands outside, and none by more than twice the tolerance, a car
is nearly there (common practice, no source)."""
LEVEL_DB: Final = 3.0
"""Overall level apart by more than this is worth a word, though it is the volume control's."""


class BandOff(msgspec.Struct, frozen=True):
    """One third octave outside the tolerance: its name [Hz], and by how much it differs [dB]."""

    at_hz: float
    off_db: float


class ToleranceVerdict(msgspec.Struct, frozen=True):
    """How near a car is to the setup it was made after.

    Overall level is taken out first: `level_db` is by how much the car was louder, the median of
    all bands, so that one band that is off moves no other. `outside` holds
    the bands that are off, the worst first.
    """

    light: Light
    said: str
    worst_db: float
    worst_hz: float
    level_db: float
    tolerance_db: float
    low_hz: float
    high_hz: float
    outside: tuple[BandOff, ...]


def judge_tolerance(
    car: Measurement,
    setup: Measurement,
    tolerance_db: float = TOLERANCE_DB,
    low_hz: float = LOW_HZ,
    high_hz: float = HIGH_HZ,
) -> ToleranceVerdict:
    """A car's response against that of its setup, in third octaves between two frequencies.

    Raises WiringError when either was not measured over the whole of it.
    """
    require_positive("tolerance_db", tolerance_db, "dB")
    require_positive("low_hz", low_hz, "Hz")
    require_positive("high_hz", high_hz, "Hz")
    ours, theirs = (bands(one, 3, low_hz, high_hz) for one in (car, setup))
    names = [nominal_hz(hz) for hz in ours.frequencies_hz.tolist()]
    wanted = round(10 * np.log10(high_hz / low_hz)) + 1
    if min(len(names), theirs.frequencies_hz.size) < wanted or wanted < 2:
        raise WiringError(
            "low_hz",
            f"car and setup must both be measured from {low_hz:g} to {high_hz:g} Hz, and a third "
            "of an octave to each side",
        )
    raw = ours.levels_db - theirs.levels_db
    level = float(np.median(raw))
    off = raw - level
    worst = int(np.argmax(np.abs(off)))
    outside = sorted(
        (
            BandOff(name, float(value))
            for name, value in zip(names, off, strict=True)
            if abs(value) > tolerance_db + 1e-9
        ),
        key=lambda one: -abs(one.off_db),
    )
    light = _light(len(outside), len(names), float(abs(off[worst])), tolerance_db)
    return ToleranceVerdict(
        light,
        _said(light, outside, tolerance_db, (low_hz, high_hz), level),
        float(off[worst]),
        names[worst],
        level,
        tolerance_db,
        low_hz,
        high_hz,
        tuple(outside),
    )


def _light(outside: int, count: int, worst_db: float, tolerance_db: float) -> Light:
    if not outside:
        return "green"
    nearly = outside <= NEARLY * count and worst_db <= 2 * tolerance_db
    return "amber" if nearly else "red"


def _said(
    light: Light,
    outside: list[BandOff],
    tolerance_db: float,
    band_hz: tuple[float, float],
    level_db: float,
) -> str:
    where = f"within {tolerance_db:g} dB of the setup between {band_hz[0]:g} and {band_hz[1]:g} Hz"
    if light == "green":
        said = f"This car is {where}."
    else:
        named = ", ".join(f"{one.off_db:+.1f} dB at {one.at_hz:g} Hz" for one in outside[:3])
        more = f" and {len(outside) - 3} more" if len(outside) > 3 else ""
        almost = "nearly " if light == "amber" else "not "
        said = f"This car is {almost}{where}: {named}{more}."
    if abs(level_db) > LEVEL_DB:
        said += (
            f" It was played {abs(level_db):.1f} dB {'louder' if level_db > 0 else 'more softly'}, "
            "which is left out of it."
        )
    return said
