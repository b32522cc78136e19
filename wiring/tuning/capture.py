"""Factory signal capture: what each output of a factory amplifier carries, and which to take.

From a level per band of each output (a sweep or noise played by the source, measured at the
plug), and, where two outputs were summed, the level of the sum. Two signals of levels a and b
with a phase p between them add up to s^2 = a^2 + b^2 + 2 a b cos(p), so p follows from the three
levels without a phase meter.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import msgspec
import numpy as np
import numpy.typing as npt

from wiring.errors import WiringError
from wiring.tuning.measurements import Floats, Measurement, bands, nominal_hz

EDGE_DB: Final = 6.0
"""A band counts as carried when it is no further below the output's own level than this."""
COVER_LOW_HZ: Final = 40.0
COVER_HIGH_HZ: Final = 16_000.0
FULL_LOW_HZ: Final = 63.0
FULL_HIGH_HZ: Final = 12_500.0
UNEVEN_DB: Final = 6.0
SHARED_DB: Final = 10.0
"""Two outputs are compared in phase where neither is further than this below the other."""
ALIKE_DEG: Final = 8.0
UNEXPLAINED_DEG: Final = 20.0
SOURCE: Final = "common practice, no source; phase from the law of cosines"

Mask = npt.NDArray[np.bool_]
Side = Literal["left", "right"]
OutputSide = Literal["left", "right", "both"]
_SIDES: Final[tuple[Side, ...]] = ("left", "right")
Carries = Literal["full range", "low band", "middle band", "high band", "nothing"]
Together = Literal[
    "in step", "inverted", "delayed", "all-pass", "delayed or all-pass", "unclear", "not compared"
]


class Output(msgspec.Struct, frozen=True):
    """One measured output: its levels [dB] over frequency and the side it plays on."""

    id: str
    name: str
    side: OutputSide
    points: tuple[tuple[float, float], ...]


class PairSum(msgspec.Struct, frozen=True):
    """Levels of two outputs summed, measured the same way as each alone."""

    first: str
    second: str
    points: tuple[tuple[float, float], ...]


class OutputReport(msgspec.Struct, frozen=True):
    """What one output carries: its -6 dB limits [Hz] in third octaves."""

    id: str
    name: str
    carries: Carries
    low_hz: float
    high_hz: float
    equalised_db: float
    said: str


class PairReport(msgspec.Struct, frozen=True):
    """How two outputs stand in time: `delay_ms` for a delay, `turn_hz` for an all-pass."""

    first: str
    second: str
    together: Together
    said: str
    delay_ms: float = 0.0
    turn_hz: float = 0.0


class Cover(msgspec.Struct, frozen=True):
    """Outputs to take for one side, and gaps and humps of their sum: (Hz, dB) per band."""

    side: Side
    outputs: tuple[str, ...]
    inputs: tuple[tuple[int, str], ...]
    gaps: tuple[tuple[float, float], ...]
    humps: tuple[tuple[float, float], ...]
    said: str


@dataclass(frozen=True)
class CaptureReport:
    """All of it; `centres_hz` and `sums_db` are for the plot of each side's sum."""

    outputs: tuple[OutputReport, ...]
    pairs: tuple[PairReport, ...]
    covers: tuple[Cover, ...]
    centres_hz: Floats
    sums_db: Mapping[str, Floats]
    source: str = SOURCE


def examine(outputs: Sequence[Output], sums: Sequence[PairSum] = ()) -> CaptureReport:
    """Judge all outputs. Raises WiringError on none, fewer than three points, or unknown ids."""
    if not outputs:
        raise WiringError("outputs", "measure at least one output first")
    banded = {output.id: _banded(output.points, output.name) for output in outputs}
    centres = _common_centres(list(banded.values()))
    levels = {
        key: np.interp(
            np.log(centres), np.log(m.frequencies_hz), m.levels_db, left=-200, right=-200
        )
        for key, m in banded.items()
    }
    reports = tuple(_carries(output, centres, levels[output.id]) for output in outputs)
    pairs = tuple(_pair(each, outputs, centres, levels) for each in sums)
    covers: list[Cover] = []
    side_sums: dict[str, Floats] = {}
    next_input = 1
    for side in _SIDES:
        own = [(o, r) for o, r in zip(outputs, reports, strict=True) if o.side in (side, "both")]
        if not own:
            continue
        cover, total = _cover(side, own, centres, levels, pairs, next_input)
        next_input += len(cover.outputs)
        covers.append(cover)
        side_sums[side] = total
    return CaptureReport(reports, pairs, tuple(covers), centres, side_sums)


def _banded(points: Sequence[tuple[float, float]], name: str) -> Measurement:
    if len(points) < 3:
        raise WiringError("points", f"{name} has fewer than three measured bands")
    ordered = sorted(points)
    frequencies = np.array([point[0] for point in ordered])
    levels = np.array([point[1] for point in ordered])
    if np.any(np.diff(frequencies) <= 0) or frequencies[0] <= 0:
        raise WiringError("points", f"{name} has a frequency twice or below 0")
    measured = Measurement(frequencies, levels, name)
    return bands(measured) if frequencies.size > 60 else measured


def _common_centres(measured: Sequence[Measurement]) -> Floats:
    low = max(20.0, min(float(m.frequencies_hz[0]) for m in measured))
    high = min(20_000.0, max(float(m.frequencies_hz[-1]) for m in measured))
    if high / low < 2:
        raise WiringError("points", "less than an octave was measured")
    exponents = np.arange(round(10 * np.log10(low)), round(10 * np.log10(high)) + 1)
    return np.asarray(10.0 ** (exponents / 10), dtype=np.float64)


def _own_level(levels: Floats) -> float:
    """The level an output plays at: the median of its louder half."""
    return float(np.median(np.sort(levels)[levels.size // 2 :])) if levels.size else 0.0


def _carries(output: Output, centres: Floats, levels: Floats) -> OutputReport:
    present = levels > -150
    top = float(np.max(levels[present])) if np.any(present) else -200.0
    loud = levels >= top - 20
    reference = float(np.median(levels[loud]))
    carried = np.flatnonzero(levels >= reference - EDGE_DB)
    low, high = float(centres[carried[0]]), float(centres[carried[-1]])
    inside = levels[carried[0] : carried[-1] + 1]
    if inside.size > 4:
        inside = inside[1:-1]
    uneven = float(np.max(inside) - np.min(inside))
    is_low, is_high = low <= FULL_LOW_HZ * 1.01, high >= FULL_HIGH_HZ * 0.99
    if np.ptp(levels[present]) < 1e-9 and top < -150:
        carries: Carries = "nothing"
    elif is_low and is_high:
        carries = "full range"
    elif is_low:
        carries = "low band"
    elif is_high:
        carries = "high band"
    else:
        carries = "middle band"
    unlike = ""
    if uneven > UNEVEN_DB:
        unlike = f" and is uneven by {uneven:.1f} dB: an equaliser is at work"
    sentence = f"{output.name} carries {_band(low)} to {_band(high)} ({carries}){unlike}."
    return OutputReport(output.id, output.name, carries, low, high, uneven, sentence)


def _band(exact_hz: float) -> str:
    """The name of a third octave: "63 Hz", "1.6 kHz"."""
    named = nominal_hz(exact_hz)
    return f"{named:g} Hz" if named < 1000 else f"{named / 1000:g} kHz"


def _phases_deg(a_db: Floats, b_db: Floats, s_db: Floats) -> Floats:
    """Phase between two signals from their levels and that of the sum [degrees], 0 to 180."""
    a, b, s = (10 ** (level / 20) for level in (a_db, b_db, s_db))
    cosine = (s**2 - a**2 - b**2) / (2 * a * b)
    return np.asarray(np.degrees(np.arccos(np.clip(cosine, -1, 1))))


def _fold(degrees: Floats) -> Floats:
    """Any phase as 0 to 180 degrees, which is all that levels can tell."""
    return np.abs((degrees + 180) % 360 - 180)


def _pair(
    pair: PairSum, outputs: Sequence[Output], centres: Floats, levels: Mapping[str, Floats]
) -> PairReport:
    names = {output.id: output.name for output in outputs}
    for each in (pair.first, pair.second):
        if each not in names:
            raise WiringError("sums", f"{each} is not among the measured outputs")
    summed = _banded(pair.points, f"{names[pair.first]} with {names[pair.second]}")
    s = np.interp(
        np.log(centres), np.log(summed.frequencies_hz), summed.levels_db, left=np.nan, right=np.nan
    )
    a, b = levels[pair.first], levels[pair.second]
    loud = np.maximum(a, b) > max(float(np.max(a)), float(np.max(b))) - 30
    shared = (np.abs(a - b) <= SHARED_DB) & np.isfinite(s) & (np.minimum(a, b) > -150) & loud
    where = f"{names[pair.first]} and {names[pair.second]}"
    if np.count_nonzero(shared) < 3:
        return PairReport(
            pair.first, pair.second, "not compared",
            f"{where} share no band wide enough to compare.",
        )  # fmt: skip
    f, phase = centres[shared], _phases_deg(a[shared], b[shared], s[shared])
    return PairReport(pair.first, pair.second, *_judge_phase(where, f, phase))


def _judge_phase(where: str, f: Floats, phase: Floats) -> tuple[Together, str, float, float]:
    if np.all(phase < 45):
        return "in step", f"{where} are in step: they can be summed.", 0.0, 0.0
    if np.all(phase > 135):
        return (
            "inverted",
            f"{where} have opposite polarity: swap the leads of one and measure again.",
            0.0,
            0.0,
        )
    delays = np.arange(0.02, 20.0, 0.005)
    misfit = np.mean(np.abs(_fold(0.36 * np.outer(delays, f)) - phase), axis=1)
    best = int(np.argmin(misfit))
    turns = np.geomspace(f[0] / 2, f[-1] * 2, 120)
    orders = {
        order: np.array(
            [
                np.mean(np.abs(_fold(order * 2 * np.degrees(np.arctan(f / turn))) - phase))
                for turn in turns
            ]
        )
        for order in (1, 2)
    }
    order = min(orders, key=lambda each: float(orders[each].min()))
    turn_at = int(np.argmin(orders[order]))
    delay_fit, turn_fit = float(misfit[best]), float(orders[order][turn_at])
    if min(delay_fit, turn_fit) > UNEXPLAINED_DEG:
        return (
            "unclear",
            f"{where} differ in time in a way no single delay or all-pass explains.",
            0.0,
            0.0,
        )
    delay, turn = float(delays[best]), float(turns[turn_at])
    if abs(turn_fit - delay_fit) < ALIKE_DEG:
        return (
            "delayed or all-pass",
            f"{where} look as if one is delayed by {delay:.2f} ms or passes an all-pass turning "
            f"about {turn:.0f} Hz; the band they share is too narrow to tell. Do not sum them.",
            delay,
            turn,
        )
    if turn_fit < delay_fit:
        return (
            "all-pass",
            f"{where} look as if one passes an all-pass turning about {turn:.0f} Hz: do not sum "
            "them.",
            0.0,
            turn,
        )
    return (
        "delayed",
        f"{where} look as if one is delayed by {delay:.2f} ms: do not sum them, or undo the delay "
        "first.",
        delay,
        0.0,
    )


def _cover(
    side: Side,
    own: Sequence[tuple[Output, OutputReport]],
    centres: Floats,
    levels: Mapping[str, Floats],
    pairs: Sequence[PairReport],
    first_input: int,
) -> tuple[Cover, Floats]:
    """The fewest outputs that carry the band of one side, and what their sum lacks."""
    wanted = (centres >= COVER_LOW_HZ * 0.99) & (centres <= COVER_HIGH_HZ * 1.01)
    full = [(o, r) for o, r in own if r.carries == "full range"]
    if full:
        chosen = [min(full, key=lambda each: each[1].equalised_db)]
    else:
        chosen = _greedy(own, centres, wanted)
    total = 10 * np.log10(sum(10 ** (levels[o.id] / 10) for o, _ in chosen))
    reference = _own_level(total[wanted]) if np.any(wanted) else 0.0
    relative = total - reference
    gaps = _beyond(centres, relative, wanted & (relative < -UNEVEN_DB))
    humps = _beyond(centres, relative, wanted & (relative > UNEVEN_DB))
    inputs = tuple((first_input + n, o.id) for n, (o, _) in enumerate(chosen))
    ids = {o.id for o, _ in chosen}
    spoiled = [
        p for p in pairs
        if {p.first, p.second} <= ids and p.together not in ("in step", "not compared")
    ]  # fmt: skip
    names, thin, thick = (
        ", ".join(each)
        for each in (
            _together([o.name for o, _ in chosen]),
            [_band(f) for f, _ in gaps[:3]],
            [_band(f) for f, _ in humps[:3]],
        )
    )
    text = f"{side.capitalize()} side: take {names} and sum them."
    if len(chosen) == 1:
        text = f"{side.capitalize()} side: take {names} alone."
    if gaps:
        text += f" Missing around {thin}."
    if humps:
        text += f" Too strong around {thick}."
    if spoiled:
        text += f" First mend this: {spoiled[0].said}"
    return Cover(side, tuple(o.id for o, _ in chosen), inputs, gaps, humps, text), total


def _together(names: list[str]) -> list[str]:
    """The last two as one with "and": a name may hold a comma."""
    return [*names[:-2], " and ".join(names[-2:])]


def _greedy(
    own: Sequence[tuple[Output, OutputReport]], centres: Floats, wanted: Mask
) -> list[tuple[Output, OutputReport]]:
    left = list(own)
    covered = np.zeros(centres.size, dtype=bool)
    chosen: list[tuple[Output, OutputReport]] = []
    while left:
        gains = [int(np.count_nonzero(_span(r, centres) & wanted & ~covered)) for _, r in left]
        best = int(np.argmax(gains))
        if gains[best] == 0:
            break
        chosen.append(left.pop(best))
        covered |= _span(chosen[-1][1], centres)
    return sorted(chosen or [own[0]], key=lambda each: each[1].low_hz)


def _span(report: OutputReport, centres: Floats) -> Mask:
    return np.asarray((centres >= report.low_hz * 0.99) & (centres <= report.high_hz * 1.01))


def _beyond(centres: Floats, relative: Floats, where: Mask) -> tuple[tuple[float, float], ...]:
    return tuple((float(centres[i]), float(relative[i])) for i in np.flatnonzero(where))
