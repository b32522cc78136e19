"""What one setting does at one sample rate, worked out once and kept.

A tuning changes one setting at a time: of everything judged after a change, all but that one is
known already. Level, delay and mute are no part of what is kept. Kept arrays are read only.
"""

from functools import lru_cache
from typing import Final

import msgspec
import numpy as np

from wiring.errors import require_positive
from wiring.filters.biquads import (
    Biquad,
    crossover_biquads,
    require_setting,
    section_biquad,
    setting_biquads,
)
from wiring.filters.crossovers import CrossoverError
from wiring.plan import Section, Setting
from wiring.tuning.measurements import Floats
from wiring.tuning.response import Complexes, decibels, evaluate, log_grid

SHAPING: Final = frozenset({"peaking", "low_shelf", "high_shelf", "notch"})
GRID: Final = log_grid(481)
"""Where levels are judged [Hz]."""
GRID.flags.writeable = False

_MOST: Final = 1024


def filtering(setting: Setting) -> Setting:
    """The setting without level, delay, polarity and mute."""
    return msgspec.structs.replace(setting, level_db=0.0, delay_ms=0.0, inverted=False, muted=False)


@lru_cache(maxsize=_MOST)
def around(centre_hz: float, ratio: float = 1.5, points: int = 61) -> Floats:
    """Frequencies about a centre, which stands in the middle [Hz]."""
    require_positive("centre_hz", centre_hz, "Hz")
    require_positive("ratio", ratio, "")
    grid = np.geomspace(centre_hz / ratio, centre_hz * ratio, points)
    grid.flags.writeable = False
    return grid


@lru_cache(maxsize=_MOST)
def problem(setting: Setting, rate_hz: float) -> str:
    """Why the device cannot do this setting; empty when it can."""
    try:
        setting_biquads(setting, rate_hz)
    except CrossoverError as error:
        return error.reason
    return ""


@lru_cache(maxsize=_MOST)
def level_db(setting: Setting, rate_hz: float) -> Floats:
    """Crossovers and all sections on GRID [dB]. Raises CrossoverError."""
    levels = decibels(evaluate([setting_biquads(setting, rate_hz)], GRID, rate_hz)[0])
    levels.flags.writeable = False
    return levels


@lru_cache(maxsize=_MOST)
def shaping_db(sections: tuple[Section, ...], rate_hz: float) -> Floats:
    """What sections that shape the level add on GRID [dB]; others are left out."""
    kept = [section_biquad(one, rate_hz) for one in sections if one.kind in SHAPING]
    levels = decibels(evaluate([kept], GRID, rate_hz)[0]) if kept else np.zeros(GRID.size)
    levels.flags.writeable = False
    return levels


def _filters(setting: Setting, rate_hz: float) -> list[Biquad]:
    """Crossovers and the sections that do not shape the level."""
    biquads: list[Biquad] = []
    if setting.high_pass is not None:
        biquads += crossover_biquads(setting.high_pass, "high_pass", rate_hz)
    if setting.low_pass is not None:
        biquads += crossover_biquads(setting.low_pass, "low_pass", rate_hz)
    require_setting(setting)
    kept = (one for one in setting.sections if one.kind not in SHAPING)
    return biquads + [section_biquad(one, rate_hz) for one in kept]


@lru_cache(maxsize=_MOST)
def filters_on_grid(setting: Setting, rate_hz: float) -> Complexes:
    """Crossovers and all-passes on GRID. Raises CrossoverError."""
    return _read_only(evaluate([_filters(setting, rate_hz)], GRID, rate_hz)[0])


@lru_cache(maxsize=_MOST)
def filters_around(setting: Setting, rate_hz: float, centre_hz: float) -> Complexes:
    """Crossovers and all-passes about a crossover point. Raises CrossoverError."""
    return _read_only(evaluate([_filters(setting, rate_hz)], around(centre_hz), rate_hz)[0])


def _read_only(response: Complexes) -> Complexes:
    response.flags.writeable = False
    return response
