"""Whether what was measured is what the settings should give: where not, by how much."""

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from wiring.tuning.arrays import require_numbers
from wiring.tuning.measurements import FEWEST_POINTS, Floats, Measurement, bands

NOTABLE_DB: Final = 3.0
"""From here two neighbouring third octaves that are off on the same side are worth a word: the same
car measured again with the microphone put back by hand differs by less (common practice, no
source)."""

FAR_BELOW_DB: Final = 24.0
"""So far below its loudest a channel plays nothing that a microphone could tell from the rest
(common practice, no source)."""


@dataclass(frozen=True)
class Disagreement:
    """Measured less computed [dB] where it is furthest off, and the mean (RMS) over the band
    between two third octaves; overall level is left out."""

    worst_db: float
    at_hz: float
    rms_db: float
    low_hz: float
    high_hz: float


def plays(found_db: Floats, left_db: Floats) -> Floats:
    """Where both curves of settings let enough through, as true and false. Raises WiringError for
    what is no number."""
    for field, level in (("found_db", found_db), ("left_db", left_db)):
        require_numbers(field, level)
    heard = [level > np.max(level) - FAR_BELOW_DB for level in (found_db, left_db)]
    return np.asarray(np.all(heard, axis=0))


def disagreement(
    computed: Measurement, measured: Measurement, low_hz: float, high_hz: float
) -> Disagreement | None:
    """Where two neighbouring third octaves of a band are off by NOTABLE_DB on the same side, the
    worst of them; None where none are, or too little was measured to say so."""
    ours, theirs = (bands(one, 3, low_hz, high_hz) for one in (computed, measured))
    levels = dict(zip(_keys(ours), ours.levels_db.tolist(), strict=True))
    pairs = [
        (hz, level - levels[key])
        for key, hz, level in zip(
            _keys(theirs), theirs.frequencies_hz.tolist(), theirs.levels_db.tolist(), strict=True
        )
        if key in levels
    ]
    if len(pairs) < FEWEST_POINTS:
        return None
    middle = float(np.median([off for _, off in pairs]))
    off = [(hz, value - middle) for hz, value in pairs]
    notable = [
        max(one, other, key=lambda each: abs(each[1]))
        for one, other in pairwise(off)
        if one[1] * other[1] > 0
        and min(abs(one[1]), abs(other[1])) >= NOTABLE_DB
        and _neighbours(one[0], other[0])
    ]
    if not notable:
        return None
    at_hz, worst = max(notable, key=lambda each: abs(each[1]))
    rms = math.sqrt(sum(value * value for _, value in off) / len(off))
    return Disagreement(worst, at_hz, rms, off[0][0], off[-1][0])


def _keys(one: Measurement) -> list[int]:
    """The number of each third octave, by which two lists of them are laid side by side."""
    return [round(10 * math.log10(hz / 1000)) for hz in one.frequencies_hz.tolist()]


def _neighbours(lower_hz: float, upper_hz: float) -> bool:
    return round(10 * math.log10(upper_hz / lower_hz)) == 1
