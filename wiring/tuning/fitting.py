"""A proposal of equaliser sections that bring a measured response nearer its target.

First a search over the whole band: of every centre and width on a grid the section that helps
most is taken, one after another. Then all sections are fitted together by bounded non-linear
least squares (wiring.tuning.least_squares). No random numbers: the same input gives the same
sections.

What it holds to: the processor's count and limits of gain and q, for all boosts together too; the
band the channel plays, without the ends where the driver rolls off; a boost costs more than a cut;
deep narrow dips, which come from cancelling sound and take any boost without filling, are neither
counted nor boosted. The level of the whole band costs too, for it would be lost as
loudness. The result is rounded to what can be typed and dropped when it is not nearer the target
than the start.
"""

from dataclasses import dataclass
from typing import Final

import msgspec
import numpy as np
import numpy.typing as npt

from wiring.errors import WiringError, require_not_negative, require_positive
from wiring.filters.biquads import ASSUMED_SAMPLE_RATE_HZ, require_setting, setting_biquads
from wiring.filters.typing_in import section_typed
from wiring.plan import ProcessorLimits, Section, Setting
from wiring.tuning.least_squares import least_squares
from wiring.tuning.measurements import Floats, Measurement, smooth
from wiring.tuning.response import decibels, evaluate
from wiring.tuning.targets import TargetCurve

SOURCE: Final = "W3C Audio EQ Cookbook (2021) peaking section; Levenberg-Marquardt"
POINTS_PER_OCTAVE: Final = 12
SMOOTHING: Final = 6
NULL_DEPTH_DB: Final = 6.0
NULL_WIDTH_OCTAVES: Final = 0.5
ROLL_OFF_DB: Final = 8.0
_SKIRT_DB: Final = 1.5
LEAST_GAIN_DB: Final = 0.4
BOOST_COST: Final = 0.15
LEVEL_COST: Final = 0.5
"""What lowering the whole band costs beside unevenness: a broad cut of everything evens nothing."""
BAND_MARGIN: Final = 1.15
_QS: Final = (0.6, 1.0, 1.6, 2.6, 4.2, 7.0)
LEAST_GAIN_RMS_DB: Final = 0.02
_TENTH: Final = 10 / np.log(10)
_SHAPE_DB: Final = 4.0
_LEAST_SAVED: Final = 0.5
_OVER_COST: Final = 4.0
_EVERY: Final = 3
_ROUGH_STEPS: Final = 12
_FINE_STEPS: Final = 60

Mask = npt.NDArray[np.bool_]


class Limits(msgspec.Struct, frozen=True):
    """What the processor can do and the shop allows."""

    count: int = 10
    cut_db: float = 12.0
    boost_db: float = 4.0
    q_low: float = 0.5
    q_high: float = 8.0
    gain_step_db: float = 0.1
    q_step: float = 0.05


@dataclass(frozen=True)
class Proposal:
    """Sections to add to what was measured, and what they do.

    `before` and `after` are the smoothed response at the fitted points; `wished` the target at
    its best level. Distances are root mean squares over the band, dips left out. `said` explains
    an empty proposal.
    """

    sections: tuple[Section, ...]
    before: Measurement
    after: Measurement
    wished: Measurement
    before_rms_db: float
    after_rms_db: float
    level_db: float
    low_hz: float
    high_hz: float
    left_out_hz: tuple[float, ...]
    said: str
    source: str = SOURCE


def playing_band_hz(setting: Setting) -> tuple[float, float]:
    """The band between a setting's corners, a little inside them, or 20 Hz to 20 kHz."""
    low, high = 20.0, 20_000.0
    require_setting(setting)
    if setting.high_pass is not None:
        low = setting.high_pass.frequency_hz * BAND_MARGIN
    if setting.low_pass is not None:
        high = setting.low_pass.frequency_hz / BAND_MARGIN
    return low, high


def propose(
    measurement: Measurement,
    target: TargetCurve,
    current: Setting | None = None,
    limits: Limits | None = None,
    sample_rate_hz: float = ASSUMED_SAMPLE_RATE_HZ,
    low_hz: float | None = None,
    high_hz: float | None = None,
    anew: bool = False,
    processor: ProcessorLimits | None = None,
) -> Proposal:
    """Sections that bring `measurement`, taken with `current` set, nearer to `target`.

    The band is that of `current`'s crossovers unless given, within what was measured. The
    target's overall level is free. With `anew` the current sections are taken out of the
    measurement first and the proposal replaces them; else it adds to them and `limits.count`
    counts both. Where `processor` says what the device takes, sections are what can be typed.
    Raises WiringError when less than an octave is left to fit.
    """
    setting, bounds = current or Setting(), limits or Limits()
    _require(bounds, sample_rate_hz, low_hz, high_hz)
    require_setting(setting)
    band = playing_band_hz(setting)
    low = max(low_hz or band[0], float(measurement.frequencies_hz[0]), 20.0)
    high = min(
        high_hz or band[1],
        float(measurement.frequencies_hz[-1]),
        20_000.0,
        0.45 * sample_rate_hz,
    )
    if high < 2 * low:
        raise WiringError("measurement", "less than an octave is left between the corners to fit")
    octaves = np.log2(high / low)
    grid = np.geomspace(low, high, int(POINTS_PER_OCTAVE * octaves) + 1)
    measured = smooth(measurement, SMOOTHING, grid).levels_db
    wish = target.at(grid)
    usable = _usable(measured - wish)
    grid, measured, wish = grid[usable], measured[usable], wish[usable]
    start = measured
    if anew and setting.sections:
        start = measured - _sections_db(setting.sections, grid, sample_rate_hz)
    room = max(bounds.count - (0 if anew else len(setting.sections)), 0)
    problem = _Problem(grid, start - wish, null_mask(measurement, grid), bounds, sample_rate_hz)
    sections = _needed(problem, _rounded(problem, _fit(problem, room))) if room else ()
    standing = () if anew else setting.sections
    sections = within_boost(sections, standing, bounds, sample_rate_hz)
    if processor is not None:
        sections = tuple(section_typed(processor, one).as_set for one in sections)
    after = start + _sections_db(sections, grid, sample_rate_hz)
    before_rms, after_rms = problem.rms(measured - wish), problem.rms(after - wish)
    note = ""
    if after_rms > before_rms - LEAST_GAIN_RMS_DB:
        sections = setting.sections if anew else ()
        after, after_rms = measured, before_rms
        note = (
            "All sections of the processor are in use: take some out, or fit anew."
            if not room
            else "Nothing within the limits brings it nearer: leave it as it is."
        )
    offset = problem.level(after - wish)
    return Proposal(
        sections,
        Measurement(grid, measured, "before"),
        Measurement(grid, after, "proposed"),
        Measurement(grid, wish + offset, target.name),
        before_rms,
        after_rms,
        offset,
        float(grid[0]),
        float(grid[-1]),
        tuple(float(f) for f in grid[problem.dips]),
        note,
    )


def _require(
    limits: Limits, sample_rate_hz: float, low_hz: float | None, high_hz: float | None
) -> None:
    """Raise WiringError on a limit that is no number."""
    require_positive("sample_rate_hz", sample_rate_hz, "Hz")
    for field, value in (("low_hz", low_hz), ("high_hz", high_hz)):
        if value is not None:
            require_positive(field, value, "Hz")
    for field in ("cut_db", "boost_db"):
        require_not_negative(f"limits.{field}", getattr(limits, field), "dB")
    for field in ("q_low", "q_high", "gain_step_db", "q_step"):
        require_positive(f"limits.{field}", getattr(limits, field), "")


BOOST_GRID: Final = np.geomspace(20.0, 20_000.0, 961)
"""Where all boosts together are judged [Hz]: a hundredth of an octave apart."""
BOOST_GRID.flags.writeable = False
BOOST_WITHIN_DB: Final = 0.05


def within_boost(
    sections: tuple[Section, ...],
    standing: tuple[Section, ...],
    limits: Limits,
    sample_rate_hz: float,
) -> tuple[Section, ...]:
    """Sections lowered, a step at a time, until all boosts together keep within the limit.

    `standing` are sections that stay beside them and are not touched. The one that adds most where
    the sum is highest gives way; one that is left with less than counts is dropped.
    """
    _require(limits, sample_rate_hz, None, None)
    grid = BOOST_GRID[0.49 * sample_rate_hz > BOOST_GRID]
    base = _sections_db(standing, grid, sample_rate_hz) if standing else np.zeros(grid.size)
    kept = list(sections)
    while True:
        curves = [_sections_db((one,), grid, sample_rate_hz) for one in kept]
        total = base + sum(curves, np.zeros(grid.size))
        peak = int(np.argmax(total))
        boosts = [n for n, one in enumerate(kept) if one.gain_db > 0 and curves[n][peak] > 0]
        if total[peak] <= limits.boost_db + BOOST_WITHIN_DB / 2 or not boosts:
            return tuple(kept)
        most = max(boosts, key=lambda n: float(curves[n][peak]))
        lower = round(kept[most].gain_db - limits.gain_step_db, 6)
        if lower < LEAST_GAIN_DB:
            del kept[most]
        else:
            kept[most] = msgspec.structs.replace(kept[most], gain_db=lower)


def _usable(error: Floats) -> slice:
    """The part of the band the driver plays: ends more than 8 dB under its level are cut off.

    Never less than an octave.
    """
    enough = error > float(np.median(error)) - ROLL_OFF_DB
    inside = np.flatnonzero(enough)
    if not inside.size or inside[-1] - inside[0] < POINTS_PER_OCTAVE:
        return slice(0, error.size)
    return slice(int(inside[0]), int(inside[-1]) + 1)


def null_mask(measurement: Measurement, grid: Floats) -> Mask:
    """Where the response has a deep narrow dip: sound that cancels, which a boost cannot fill.

    A dip counts when it lies more than 6 dB under the response smoothed over an octave and is
    narrower than half an octave at half its depth; its skirts are left out with it.
    """
    fine = smooth(measurement, 24, grid).levels_db
    broad = smooth(measurement, 1, grid).levels_db
    under = broad - fine
    mask = np.zeros(grid.size, dtype=bool)
    width = int(np.ceil(NULL_WIDTH_OCTAVES * POINTS_PER_OCTAVE))
    for centre in np.flatnonzero(under > NULL_DEPTH_DB):
        deep = under >= under[centre] / 2
        first, last = centre, centre
        while first > 0 and deep[first - 1]:
            first -= 1
        while last < grid.size - 1 and deep[last + 1]:
            last += 1
        if last - first > width or first == 0 or last == grid.size - 1:
            continue
        for _ in range(width):
            first -= first > 0 and under[first - 1] > _SKIRT_DB
            last += last < grid.size - 1 and under[last + 1] > _SKIRT_DB
        mask[first : last + 1] = True
    return mask


def _sections_db(sections: tuple[Section, ...], grid: Floats, rate: float) -> Floats:
    return decibels(evaluate([setting_biquads(Setting(sections=sections), rate)], grid, rate)[0])


class _Problem:
    """Frequencies, what is to be evened out [dB], and how much each point counts."""

    def __init__(
        self, grid: Floats, error_db: Floats, dips: Mask, limits: Limits, rate: float
    ) -> None:
        self.grid, self.limits, self.rate = grid, limits, rate
        self.dips = dips if np.count_nonzero(dips) < grid.size / 2 else np.zeros(grid.size, bool)
        self.weight = np.where(self.dips, 0.0, 1.0)
        self.level_cost = LEVEL_COST * float(np.sqrt(self.weight.sum()))
        self.error = error_db
        w = 2 * np.pi * grid / rate
        self.half, self.sine2 = np.sin(w / 2) ** 2, np.sin(w) ** 2
        self.low, self.high = float(np.log(grid[0])), float(np.log(grid[-1]))

    def level(self, error: Floats) -> float:
        """Mean error over the points that count [dB]."""
        return float(np.sum(self.weight * error) / np.sum(self.weight))

    def levels(self, rows: Floats) -> Floats:
        """What rows add to the level of the whole band, weighed as a residual."""
        mean = (rows @ self.weight) / self.weight.sum()
        return np.asarray(self.level_cost * mean, dtype=np.float64)

    def centred(self, rows: Floats) -> Floats:
        """Rows with their mean taken out, points that do not count set to 0."""
        mean = (rows @ self.weight) / self.weight.sum()
        return np.asarray((rows - np.expand_dims(mean, -1)) * self.weight)

    def rms(self, error: Floats) -> float:
        """Root mean square about the mean, over the points that count [dB]."""
        return float(np.sqrt(np.sum(self.centred(error) ** 2) / np.sum(self.weight)))

    def in_dip(self, frequency_hz: float) -> bool:
        """Whether the nearest point belongs to a dip."""
        return bool(self.dips[int(np.argmin(np.abs(np.log(self.grid / frequency_hz))))])

    def curves(self, values: Floats) -> tuple[Floats, Floats]:
        """Level of each peaking section [dB], a row each, and its slopes by (log f, gain, log q).

        With u = alpha A, v = alpha / A and d = sin^2(w0/2) - sin^2(w/2) the cookbook's section is
        |H|^2 = (4 d^2 + u^2 sin^2 w) / (4 d^2 + v^2 sin^2 w).
        """
        log_f, gain, log_q = values
        w0 = (2 * np.pi / self.rate) * np.exp(log_f)[:, None]
        alpha = np.sin(w0) / (2 * np.exp(log_q)[:, None])
        a = 10 ** (gain[:, None] / 40)
        d = np.sin(w0 / 2) ** 2 - self.half
        u2, v2 = (alpha * a) ** 2 * self.sine2, (alpha / a) ** 2 * self.sine2
        up, down = 4 * d**2 + u2, 4 * d**2 + v2
        turned, above, below = 4 * d * np.sin(w0) * w0, u2 / up, v2 / down
        tilt = 2 * w0 / np.tan(w0)
        slopes = np.stack(
            (
                _TENTH * (turned / up + tilt * above - turned / down - tilt * below),
                0.5 * (above + below),
                2 * _TENTH * (below - above),
            )
        )
        return _TENTH * np.log(up / down), slopes


def _fit(problem: _Problem, count: int) -> Floats:
    """Rows (log f, gain, log q) of up to `count` sections: search, then fit all together."""
    shapes, lifts, centres = _dictionary(problem)
    sections = np.empty((3, 0))
    for number in range(count):
        levels, _ = problem.curves(sections)
        rest = problem.error + levels.sum(axis=0)
        total = levels.sum(axis=0)
        best = _best_single(problem, shapes, lifts, centres, rest, total)
        if best is None:
            break
        sections = np.concatenate((sections, best[:, None]), axis=1)
        if number % _EVERY == _EVERY - 1:
            sections = _together(problem, sections, _ROUGH_STEPS)
    return _together(problem, sections, _FINE_STEPS) if sections.size else sections


def _dictionary(problem: _Problem) -> tuple[Floats, Floats, Floats]:
    """Sections per decibel, centres and widths on a grid: shape, weighed level, (log f, log q)."""
    qs = [q for q in _QS if problem.limits.q_low <= q <= problem.limits.q_high]
    centres = np.array(
        [(log_f, np.log(q)) for log_f in np.log(problem.grid) for q in qs or [problem.limits.q_low]]
    ).T
    gains = np.full(centres.shape[1], _SHAPE_DB)
    levels, _ = problem.curves(np.stack((centres[0], gains, centres[1])))
    return problem.centred(levels) / _SHAPE_DB, problem.levels(levels) / _SHAPE_DB, centres


def _best_single(
    problem: _Problem,
    shapes: Floats,
    lifts: Floats,
    centres: Floats,
    rest: Floats,
    total: Floats,
) -> Floats | None:
    """The one section that helps most, its gain by least squares within the limits.

    `total` is what the sections so far add [dB]: a boost on top stays within the limit.
    """
    wanted = -(shapes @ problem.centred(rest)) - lifts * problem.levels(total)
    energy = np.einsum("ij,ij->i", shapes, shapes) + lifts**2
    boosted = wanted > 0
    cost = energy * np.where(boosted, 1 + BOOST_COST**2, 1.0)
    index = np.searchsorted(np.log(problem.grid), centres[0] - 1e-9)
    room = np.clip(problem.limits.boost_db - total[index], 0, problem.limits.boost_db)
    gain = np.clip(wanted / cost, -problem.limits.cut_db, room)
    gain = np.where(boosted & problem.dips[index], 0.0, gain)
    saved = 2 * gain * wanted - cost * gain**2
    best = int(np.argmax(saved))
    if saved[best] < _LEAST_SAVED or abs(gain[best]) < LEAST_GAIN_DB:
        return None
    return np.array([centres[0, best], gain[best], centres[1, best]])


def _together(problem: _Problem, start: Floats, steps: int) -> Floats:
    """All sections fitted at once within their bounds."""
    limits, count = problem.limits, start.shape[1]
    low = np.repeat([problem.low, -limits.cut_db, np.log(limits.q_low)], count)
    high = np.repeat([problem.high, limits.boost_db, np.log(limits.q_high)], count)

    def residuals(flat: Floats) -> Floats:
        values = flat.reshape(3, count)
        levels, _ = problem.curves(values)
        total = levels.sum(axis=0)
        return np.concatenate(
            (
                problem.centred(problem.error + total),
                BOOST_COST * np.maximum(total, 0),
                _OVER_COST * np.maximum(total - limits.boost_db, 0),
                np.atleast_1d(problem.levels(total)),
            )
        )

    def slopes(flat: Floats) -> Floats:
        values = flat.reshape(3, count)
        levels, each = problem.curves(values)
        total = levels.sum(axis=0)
        rows = each.reshape(3 * count, -1)
        return np.concatenate(
            (
                problem.centred(rows),
                BOOST_COST * rows * (total > 0),
                _OVER_COST * rows * (total > limits.boost_db),
                problem.levels(rows)[:, None],
            ),
            axis=1,
        ).T

    inside = np.clip(start.ravel(), low + 1e-9, high - 1e-9)
    return least_squares(residuals, slopes, inside, low, high, steps).values.reshape(3, count)


def _rounded(problem: _Problem, values: Floats) -> tuple[Section, ...]:
    """Sections as they can be typed, by rising frequency; those that do nothing left out."""
    limits = problem.limits
    sections = []
    for log_f, gain, log_q in values.T:
        frequency = float(f"{np.exp(log_f):.3g}")
        level = _on_step(gain, limits.gain_step_db, -limits.cut_db, limits.boost_db)
        q = _on_step(float(np.exp(log_q)), limits.q_step, limits.q_low, limits.q_high)
        if abs(level) < LEAST_GAIN_DB or (level > 0 and problem.in_dip(frequency)):
            continue
        sections.append(Section("peaking", frequency, level, q))
    return tuple(sorted(sections, key=lambda section: section.frequency_hz))


def _on_step(value: float, step: float, low: float, high: float) -> float:
    """The nearest step within the limits."""
    steps = round(value / step)
    steps += (steps * step < low - 1e-9) - (steps * step > high + 1e-9)
    return round(float(steps * step), 6)


def _needed(problem: _Problem, sections: tuple[Section, ...]) -> tuple[Section, ...]:
    """Without the sections that could go and hardly be missed, the smallest tried first."""
    kept = list(sections)
    for section in sorted(sections, key=lambda each: (abs(each.gain_db), each.frequency_hz)):
        fewer = tuple(each for each in kept if each is not section)
        if _distance(problem, fewer) < _distance(problem, tuple(kept)) + LEAST_GAIN_RMS_DB:
            kept = list(fewer)
    return tuple(kept)


def _distance(problem: _Problem, sections: tuple[Section, ...]) -> float:
    added = _sections_db(sections, problem.grid, problem.rate)
    return problem.rms(problem.error + added)
