"""Measured responses: reading two-column text, averaging, smoothing, comparing, targets.

Bands are those of IEC 61260-1:2014 in the base-ten system: G = 10^(3/10), midbands
1000 G^(x/b) for odd b and 1000 G^((2x + 1)/(2b)) for even b, edges half a band away.
"""

import math
import re
from collections import Counter
from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import msgspec
import numpy as np

from wiring.errors import WiringError, require_positive
from wiring.tuning.arrays import Floats as Floats, require_frequencies, require_numbers, shares

OCTAVE_RATIO: Final = 10**0.3
BAND_SOURCE: Final = "IEC 61260-1:2014, 5.2 to 5.4, base-ten system"

MAX_BYTES: Final = 4_000_000
MAX_POINTS: Final = 200_000
FEWEST_POINTS: Final = 3
LOWEST_HZ: Final = 1.0
HIGHEST_HZ: Final = 100_000.0
LOUDEST_DB: Final = 300.0
_NAMING: Final = 1.01
_MOST_PROBLEMS: Final = 20
_COMMENT: Final = ("#", "*", ";", "//", '"', "!", "%", "'")
_UNIT: Final = re.compile(r"(?<=[\d\s])(hz|db)\b", re.IGNORECASE)
_NUMBER: Final = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")


class LineProblem(msgspec.Struct, frozen=True):
    """What is wrong in one line of an imported text; `number` counts from 1, 0 for the whole."""

    number: int
    text: str
    message: str


class MeasurementError(ValueError):
    """The text is no measurement; `problems` says why, line by line."""

    def __init__(self, problems: Sequence[LineProblem]) -> None:
        first = problems[0]
        where = f"Line {first.number}: " if first.number else ""
        more = f" ({len(problems) - 1} more)" if len(problems) > 1 else ""
        super().__init__(f"{where}{first.message}{more}")
        self.problems = tuple(problems)


@dataclass(frozen=True)
class Measurement:
    """Levels [dB] over rising frequencies [Hz]. `notes` says what the import left out.

    Raises WiringError on a frequency or a level that is no number.
    """

    frequencies_hz: Floats
    levels_db: Floats
    name: str = ""
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        require_frequencies("frequencies_hz", self.frequencies_hz)
        require_numbers("levels_db", self.levels_db)

    def at(self, frequencies_hz: Floats) -> Floats:
        """Levels at other frequencies, straight lines over log frequency; nan outside."""
        return np.asarray(
            np.interp(
                np.log(frequencies_hz),
                np.log(self.frequencies_hz),
                self.levels_db,
                left=np.nan,
                right=np.nan,
            )
        )


def decode(content: bytes) -> str:
    """Text of a file: UTF-8 or UTF-16 by its mark, else UTF-8, else Latin-1."""
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return content.decode("utf-16", errors="replace")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("latin-1")


def read_text(content: str | bytes, name: str = "") -> Measurement:
    """Read two-column text: frequency [Hz] and level [dB], a third column is left out.

    Columns stand apart by tab, semicolon, space or comma; decimals have a point or a comma.
    Lines that begin with a comment mark, and words before the first number, are left out.
    Frequencies may fall instead of rise. Raises MeasurementError with every faulty line.
    """
    if len(content) > MAX_BYTES:
        raise MeasurementError([LineProblem(0, "", "The file is larger than 4 MB.")])
    text = decode(content) if isinstance(content, bytes) else content.removeprefix("\ufeff")
    lines = text.splitlines()
    points: list[tuple[float, float, int]] = []
    problems: list[LineProblem] = []
    skipped = 0
    for number, line in enumerate(lines, start=1):
        stripped = line.strip()
        if not stripped:
            continue
        if stripped.startswith(_COMMENT):
            skipped += 1
            continue
        point, problem = _point(_UNIT.sub(" ", stripped).strip())
        if point is None:
            if not points and re.search(r"[^\W\d_]", stripped):
                skipped += 1
                continue
            problems.append(LineProblem(number, stripped[:80], problem))
            if len(problems) >= _MOST_PROBLEMS:
                break
        else:
            points.append((*point, number))
    if not problems:
        problems = _whole(points)
    if problems:
        raise MeasurementError(problems)
    points.sort()
    notes = (f"{skipped} comment or heading lines left out",) if skipped else ()
    return Measurement(
        np.array([point[0] for point in points]),
        np.array([point[1] for point in points]),
        name,
        notes,
    )


def _point(line: str) -> tuple[tuple[float, float] | None, str]:
    """Frequency and level of a line, or None and what is wrong with it."""
    columns = _columns(line)
    if len(columns) < 2:
        return None, "Two numbers are wanted, frequency in Hz and level in dB."
    values = []
    for column in columns[:2]:
        if not _NUMBER.fullmatch(column):
            return None, f"“{column[:20]}” is no number."
        values.append(float(column.replace(",", ".")))
    frequency, level = values
    if not LOWEST_HZ <= frequency <= HIGHEST_HZ:
        return None, f"{frequency:g} Hz is not from {LOWEST_HZ:g} to {HIGHEST_HZ:g} Hz."
    if not abs(level) <= LOUDEST_DB:
        return None, f"{level:g} dB cannot be a level."
    return (frequency, level), ""


def _columns(line: str) -> list[str]:
    """Columns of a line by the strongest separator it has: tab, semicolon, space, comma.

    A comma is a decimal comma beside any other separator. Alone, it separates; four parts are
    two numbers with decimal commas.
    """
    for pattern in (r"\s*[\t;]\s*", r"\s+"):
        parts = [part for part in re.split(pattern, line) if part]
        if len(parts) > 1:
            return [part.strip(",") for part in parts if part.strip(",")]
    parts = [part.strip() for part in line.split(",")]
    if len(parts) == 4 and parts[1].isdigit() and parts[3].isdigit() and "." not in line:
        return [f"{parts[0]}.{parts[1]}", f"{parts[2]}.{parts[3]}"]
    return [part for part in parts if part]


def _whole(points: Sequence[tuple[float, float, int]]) -> list[LineProblem]:
    if len(points) < FEWEST_POINTS:
        return [
            LineProblem(
                0,
                "",
                f"Only {len(points)} lines with two numbers were found, at least {FEWEST_POINTS} "
                "are wanted: export frequency and level as plain text.",
            )
        ]
    if len(points) > MAX_POINTS:
        return [LineProblem(0, "", f"More than {MAX_POINTS} points: export fewer.")]
    seen: dict[float, int] = {}
    problems = []
    for frequency, _, number in points:
        if frequency in seen:
            problems.append(
                LineProblem(
                    number,
                    f"{frequency:g}",
                    f"{frequency:g} Hz stands in line {seen[frequency]} too.",
                )
            )
        seen[frequency] = number
    return problems[:_MOST_PROBLEMS]


def weights_of(places: Iterable[Hashable]) -> tuple[float, ...]:
    """What each response weighs in an average over places: 1 / (how many are of its place), so that
    a place counts once however often it was measured."""
    each = list(places)
    times = Counter(each)
    return tuple(1 / times[one] for one in each)


def average(
    measurements: Sequence[Measurement], name: str = "average", weights: Sequence[float] = ()
) -> Measurement:
    """Mean power of several positions at the first one's frequencies, where all of them reach; each
    counts by its weight, the same without weights.

    Raises MeasurementError when they share no band, WiringError on weights that do not match.
    """
    if not measurements:
        raise MeasurementError([LineProblem(0, "", "There is nothing to average yet.")])
    parts = shares(len(measurements), weights)
    grid = measurements[0].frequencies_hz
    stack = np.stack([each.at(grid) for each in measurements])
    inside = np.all(np.isfinite(stack), axis=0)
    if np.count_nonzero(inside) < FEWEST_POINTS:
        raise MeasurementError(
            [LineProblem(0, "", "The measurements share no band of frequencies.")]
        )
    power = parts @ 10 ** (stack[:, inside] / 10)
    return Measurement(grid[inside], 10 * np.log10(power), name)


def band_centres_hz(fraction: int, low_hz: float = 20.0, high_hz: float = 20_000.0) -> Floats:
    """Exact midband frequencies of 1/`fraction` octave bands that centre within the limits [Hz].

    A limit may be a nominal frequency, which is up to 1 % off the exact one.
    Raises WiringError for a fraction below 1 or a limit that is none.
    """
    if fraction < 1:
        raise WiringError("fraction", f"1/{fraction} octave is no band")
    require_positive("low_hz", low_hz, "Hz")
    require_positive("high_hz", high_hz, "Hz")
    shift = 0.0 if fraction % 2 else 0.5
    first = math.ceil(fraction * math.log(low_hz / _NAMING / 1000, OCTAVE_RATIO) - shift)
    last = math.floor(fraction * math.log(high_hz * _NAMING / 1000, OCTAVE_RATIO) - shift)
    steps = np.arange(first, last + 1) + shift
    return np.asarray(1000 * OCTAVE_RATIO ** (steps / fraction), dtype=np.float64)


def nominal_hz(exact_hz: float) -> float:
    """The name of a third-octave band: the preferred number nearest its midband (ISO 266:1997)."""
    require_positive("exact_hz", exact_hz, "Hz")
    decade = 10.0 ** math.floor(math.log10(exact_hz) + 1e-9)
    preferred = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0, 10.0)
    return decade * min(preferred, key=lambda each: abs(math.log(exact_hz / decade / each)))


def smooth(measurement: Measurement, fraction: int, at_hz: Floats | None = None) -> Measurement:
    """Mean power in a band of 1/`fraction` octave around each frequency, even over log frequency.

    At the measurement's own frequencies, or at `at_hz`. At an end the part of the band that was
    measured counts.
    """
    centres = measurement.frequencies_hz if at_hz is None else at_hz
    require_frequencies("at_hz", centres)
    x = np.log(measurement.frequencies_hz)
    power = 10 ** (measurement.levels_db / 10)
    area = np.concatenate(([0.0], np.cumsum((power[1:] + power[:-1]) / 2 * np.diff(x))))
    half = math.log(OCTAVE_RATIO) / (2 * fraction)
    low = np.clip(np.log(centres) - half, x[0], x[-1])
    high = np.clip(np.log(centres) + half, x[0], x[-1])
    width = high - low
    inside = width > 1e-9
    mean = np.full(centres.size, np.nan)
    mean[inside] = (
        _integral(high[inside], x, power, area) - _integral(low[inside], x, power, area)
    ) / width[inside]
    kept = inside & (mean > 0)
    return Measurement(centres[kept], 10 * np.log10(mean[kept]), measurement.name)


def _integral(at: Floats, x: Floats, power: Floats, area: Floats) -> Floats:
    """Integral of a line through points from the first point to `at`."""
    index = np.clip(np.searchsorted(x, at, side="right") - 1, 0, x.size - 2)
    step = at - x[index]
    slope = (power[index + 1] - power[index]) / (x[index + 1] - x[index])
    return np.asarray(area[index] + step * (power[index] + slope * step / 2))


class Spread(NamedTuple):
    """How far several responses of one thing are from each other [dB], in third octaves.

    `worst_db` is the widest of them, at `at_hz`, `mean_db` the mean over the bands from `low_hz`
    to `high_hz`; how loud each is as a whole is left out.
    """

    worst_db: float
    at_hz: float
    mean_db: float
    low_hz: float
    high_hz: float


SPREAD_LOW_HZ: Final = 100.0
SPREAD_HIGH_HZ: Final = 8_000.0
"""Below, the cabin's modes decide; above, a centimetre of the microphone does. Common practice, no
source."""


def spread(
    curves: Sequence[Measurement],
    low_hz: float = SPREAD_LOW_HZ,
    high_hz: float = SPREAD_HIGH_HZ,
) -> Spread | None:
    """How far responses taken at several places, or several times, are from each other.

    None for fewer than two, or where they share less than two bands. Raises WiringError.
    """
    require_positive("low_hz", low_hz, "Hz")
    require_positive("high_hz", high_hz, "Hz")
    if len(curves) < 2:
        return None
    within = [bands(one, 3, low_hz, high_hz) for one in curves]
    shared = [set(np.round(one.frequencies_hz, 3).tolist()) for one in within]
    common = np.array(sorted(set.intersection(*shared)))
    if common.size < 2:
        return None
    levels = np.stack(
        [one.levels_db[np.isin(np.round(one.frequencies_hz, 3), common)] for one in within]
    )
    apart = np.ptp(levels - np.mean(levels, axis=1, keepdims=True), axis=0)
    at = int(np.argmax(apart))
    return Spread(
        float(apart[at]),
        nominal_hz(float(common[at])),
        float(np.mean(apart)),
        nominal_hz(float(common[0])),
        nominal_hz(float(common[-1])),
    )


def bands(
    measurement: Measurement, fraction: int = 3, low_hz: float = 20.0, high_hz: float = 20_000.0
) -> Measurement:
    """Mean level in each standard band that lies within the measured range."""
    half = OCTAVE_RATIO ** (1 / (2 * fraction))
    centres = band_centres_hz(fraction, low_hz, high_hz)
    first, last = measurement.frequencies_hz[0], measurement.frequencies_hz[-1]
    whole = (centres / half >= first * (1 - 1e-9)) & (centres * half <= last * (1 + 1e-9))
    return smooth(measurement, fraction, centres[whole])
