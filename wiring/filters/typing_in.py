"""Settings as a processor's program takes them: the nearest that can be typed, and what is left.

Q and bandwidth: W3C Audio EQ Cookbook (Working Group Note, 8 June 2021), 1 / Q = 2 sinh(ln 2 / 2 x
bandwidth in octaves) of the analogue filter. A peaking section of gain g has poles of the quality
Q 10^(|g| / 40) (cut: its zeros).
"""

import math
from bisect import bisect_left
from collections.abc import Iterable
from functools import lru_cache
from typing import Final

import msgspec

from wiring.errors import WiringError, require_figure, require_finite, require_positive
from wiring.filters.biquads import require_setting
from wiring.filters.crossovers import FAMILY_NAMES, slope_db
from wiring.plan import Crossover, Device, ProcessorLimits, Section, Setting, Steps

CM_PER_INCH: Final = 2.54
SAME_DB: Final = 0.005
SAME_MS: Final = 0.0005
SAME_FREQUENCY: Final = 0.0005
SAME_WIDTH: Final = 0.005
"""Differences smaller than these are the rounding of what screens show: common practice, no
source. Frequencies and widths count by ratio."""
_MOST_DECIMALS: Final = 4
GAIN_KINDS: Final = frozenset({"peaking", "low_shelf", "high_shelf"})
"""Sections that have a gain of their own."""
_UNIT_WORDS: Final = {"ms": "ms", "samples": "samples", "cm": "cm", "in": "in"}
_WIDTH_WORDS: Final = {"q": "Q", "octaves": "octaves", "pole_q": "Q"}


class Typed(msgspec.Struct, frozen=True):
    """One figure: what to type, what was wanted, both in `unit`, and the difference between them.

    `limited` says that what was wanted is outside the processor's range.
    """

    text: str
    value: float
    exact: float
    residual: float
    unit: str
    limited: bool


class TypedDelay(msgspec.Struct, frozen=True):
    """A delay: what to type, and what it comes to [ms]."""

    typed: Typed
    set_ms: float
    residual_ms: float


class TypedCrossover(msgspec.Struct, frozen=True):
    """A crossover: its frequency, and the filter that will be set. `problem` says what the
    processor has not; it is empty when the filter is as wanted."""

    frequency: Typed
    as_set: Crossover
    problem: str = ""


class TypedSection(msgspec.Struct, frozen=True):
    """An equaliser section: its three figures, and the section that will be set."""

    frequency: Typed
    gain: Typed
    width: Typed
    as_set: Section
    problem: str = ""


class TypedSetting(msgspec.Struct, frozen=True):
    """A channel's whole setting as it is typed; `as_set` is what the channel will then do."""

    level: Typed
    delay: TypedDelay
    high_pass: TypedCrossover | None
    low_pass: TypedCrossover | None
    sections: tuple[TypedSection, ...]
    as_set: Setting
    problems: tuple[str, ...]


def limits_of(device: Device | None) -> ProcessorLimits | None:
    """What a device's program takes, with its own sample rate and number of sections; None where
    nothing is known of it."""
    if device is None or device.limits is None:
        return None
    own = {
        name: value
        for name in ("sample_rate_hz", "max_sections")
        if (value := getattr(device, name)) is not None
    }
    return msgspec.structs.replace(device.limits, **own)


def nearest(steps: Steps | None, wanted: float, unit: str = "", by_ratio: bool = False) -> Typed:
    """The value nearest to what is wanted that can be typed; any, where no limits are known.

    `by_ratio` says that distances count by ratio, as for frequencies and widths. Raises
    WiringError on what is no number.
    """
    exact = (require_positive if by_ratio else require_finite)("wanted", wanted, unit)
    if steps is None:
        return Typed(_text(exact, _MOST_DECIMALS), exact, exact, 0.0, unit, False)
    for figure in (steps.low, steps.high):
        require_finite("steps", figure, unit)
    if steps.values:
        place = bisect_left(steps.values, exact)
        beside = steps.values[max(place - 1, 0) : place + 1]
        value = min(beside, key=lambda one: (_apart(one, exact, by_ratio), one))
        decimals = _finest(steps.values)
    else:
        value = _on_grid(steps, exact)
        decimals = _MOST_DECIMALS
        if steps.step is not None:
            decimals = max(_decimals(steps.step), _decimals(steps.low))
    limited = not steps.low - 1e-9 <= exact <= steps.high + 1e-9
    return Typed(_text(value, decimals), value, exact, value - exact, unit, limited)


def _on_grid(steps: Steps, exact: float) -> float:
    inside = min(max(exact, steps.low), steps.high)
    if steps.step is None:
        return inside
    count = round((inside - steps.low) / steps.step)
    count = min(count, math.floor((steps.high - steps.low) / steps.step + 1e-9))
    return round(steps.low + count * steps.step, 9)


def _apart(one: float, exact: float, by_ratio: bool) -> float:
    if by_ratio and one > 0:
        return abs(math.log(one / exact))
    return abs(one - exact)


@lru_cache(maxsize=128)
def _finest(values: tuple[float, ...]) -> int:
    return max(_decimals(one) for one in values)


def _decimals(value: float) -> int:
    text = f"{value:.{_MOST_DECIMALS}f}".rstrip("0")
    return len(text.partition(".")[2])


def _text(value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}"
    if decimals == _MOST_DECIMALS and "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def delay_typed(limits: ProcessorLimits, delay_ms: float) -> TypedDelay:
    """A delay in the unit of the processor's program. Raises WiringError on what is no number, or
    where it counts samples of a rate that is not known."""
    require_figure("delay_ms", delay_ms, "ms")
    if delay_ms < 0:
        raise WiringError("delay_ms", f"{delay_ms:g} ms: nothing plays before its sound arrives")
    per_ms = _per_ms(limits)
    typed = nearest(limits.delay, delay_ms * per_ms, _UNIT_WORDS[limits.delay_unit])
    set_ms = typed.value / per_ms
    return TypedDelay(typed, set_ms, set_ms - delay_ms)


def _per_ms(limits: ProcessorLimits) -> float:
    """How many of the program's units a millisecond is."""
    if limits.delay_unit == "ms":
        return 1.0
    if limits.delay_unit == "samples":
        if limits.sample_rate_hz is None:
            raise WiringError(
                "sample_rate_hz", "the processor counts delay in samples: its rate must be known"
            )
        return limits.sample_rate_hz / 1000
    cm = require_positive("delay_speed_m_s", limits.delay_speed_m_s, "m/s") / 10
    return cm if limits.delay_unit == "cm" else cm / CM_PER_INCH


def octaves_of_q(q: float) -> float:
    """Bandwidth of a section in octaves: 2 / ln 2 asinh(1 / (2 Q)). Raises WiringError."""
    return 2 / math.log(2) * math.asinh(1 / (2 * require_positive("q", q, "")))


def q_of_octaves(octaves: float) -> float:
    """Q of a section of that bandwidth in octaves. Raises WiringError."""
    require_positive("octaves", octaves, "octaves")
    if octaves > 20:
        raise WiringError("octaves", f"{octaves:g} octaves are wider than all that is heard")
    return 1 / (2 * math.sinh(math.log(2) / 2 * octaves))


def _as_counted(limits: ProcessorLimits, section: Section) -> float:
    if limits.width_counted == "octaves":
        return octaves_of_q(section.q)
    return section.q * _pole_factor(limits, section)


def _as_q(limits: ProcessorLimits, section: Section, width: float) -> float:
    if limits.width_counted == "octaves":
        return q_of_octaves(width)
    return width / _pole_factor(limits, section)


def _pole_factor(limits: ProcessorLimits, section: Section) -> float:
    if limits.width_counted != "pole_q" or section.kind != "peaking":
        return 1.0
    return float(10 ** (abs(section.gain_db) / 40))


def section_typed(limits: ProcessorLimits, section: Section) -> TypedSection:
    """An equaliser section as it is typed; the width for the gain that will be set. Raises
    WiringError on what is no number."""
    require_setting(Setting(sections=(section,)))
    frequency = nearest(limits.section_hz, section.frequency_hz, "Hz", by_ratio=True)
    gain = nearest(limits.gain_db, section.gain_db, "dB")
    with_gain = msgspec.structs.replace(section, gain_db=gain.value)
    wanted = _as_counted(limits, with_gain)
    width = nearest(limits.width, wanted, _WIDTH_WORDS[limits.width_counted], by_ratio=True)
    as_set = msgspec.structs.replace(
        with_gain, frequency_hz=frequency.value, q=_as_q(limits, with_gain, width.value)
    )
    problem = ""
    if section.kind not in GAIN_KINDS:
        as_set = msgspec.structs.replace(as_set, gain_db=section.gain_db)
    if limits.section_kinds and section.kind not in limits.section_kinds:
        problem = f"The processor has no section of the kind {section.kind.replace('_', ' ')}."
    return TypedSection(frequency, gain, width, as_set, problem)


def crossover_typed(limits: ProcessorLimits, crossover: Crossover) -> TypedCrossover:
    """A crossover as it is typed. A filter the processor has not is told, and the nearest of its
    family, or of its slope, put beside. Raises WiringError on what is no number."""
    require_positive("frequency_hz", crossover.frequency_hz, "Hz")
    frequency = nearest(limits.crossover_hz, crossover.frequency_hz, "Hz", by_ratio=True)
    family, order = crossover.family, crossover.order
    problem = ""
    has = [(one.family, each) for one in limits.slopes for each in one.orders]
    if has and (family, order) not in has:
        wanted = f"{FAMILY_NAMES[family]} {slope_db(order)} dB/oct"
        family, order = min(
            has, key=lambda one: (abs(one[1] - crossover.order), one[0] != crossover.family)
        )
        problem = (
            f"The processor has no {wanted}; the nearest it has is {FAMILY_NAMES[family]} "
            f"{slope_db(order)} dB/oct. Choose, and look at the sum again."
        )
    return TypedCrossover(frequency, Crossover(family, order, frequency.value), problem)


def setting_typed(limits: ProcessorLimits, setting: Setting) -> TypedSetting:
    """A whole setting as it is typed, with all that the processor cannot do. Raises WiringError
    on what is no number."""
    require_setting(setting)
    level = nearest(limits.level_db, setting.level_db, "dB")
    delay = delay_typed(limits, setting.delay_ms)
    high, low = (
        crossover_typed(limits, one) if one is not None else None
        for one in (setting.high_pass, setting.low_pass)
    )
    sections = tuple(section_typed(limits, one) for one in setting.sections)
    as_set = msgspec.structs.replace(
        setting,
        level_db=level.value,
        delay_ms=delay.set_ms,
        high_pass=high.as_set if high is not None else None,
        low_pass=low.as_set if low is not None else None,
        sections=tuple(one.as_set for one in sections),
    )
    problems = [one.problem for one in (high, low, *sections) if one is not None and one.problem]
    figures = [("level", level), ("delay", delay.typed)]
    figures += [("crossover", one.frequency) for one in (high, low) if one is not None]
    for number, one in enumerate(sections, start=1):
        figures += [
            (f"section {number}, {name}", figure)
            for name, figure in (
                ("frequency", one.frequency), ("gain", one.gain), ("width", one.width)
            )
        ]  # fmt: skip
    problems += _limited(figures)
    most = limits.max_sections
    if most is not None and len(sections) > most:
        problems.append(f"The processor has {most} sections a channel; {len(sections)} are wanted.")
    return TypedSetting(level, delay, high, low, sections, as_set, tuple(problems))


class Untyped(msgspec.Struct, frozen=True):
    """A figure of a setting that cannot be typed: what it is called, what was wanted and the
    nearest there is, both as `typed` has them."""

    what: str
    typed: Typed


class Unlike(msgspec.Struct, frozen=True):
    """All of a setting that cannot be typed: figures off their steps, filters there are not."""

    figures: tuple[Untyped, ...]
    problems: tuple[str, ...]


@lru_cache(maxsize=512)
def cannot_be_typed(limits: ProcessorLimits, setting: Setting) -> Unlike:
    """What of a setting a program does not take; the number of its sections is another matter.
    Raises WiringError on what is no number."""
    typed = setting_typed(limits, setting)
    found = []
    if not _same(typed.level, SAME_DB):
        found.append(Untyped("level", typed.level))
    if abs(typed.delay.residual_ms) > SAME_MS:
        found.append(Untyped("delay", typed.delay.typed))
    for name, crossover in (("high-pass", typed.high_pass), ("low-pass", typed.low_pass)):
        if crossover is not None and not _alike(crossover.frequency, SAME_FREQUENCY):
            found.append(Untyped(name, crossover.frequency))
    for number, one in enumerate(typed.sections, start=1):
        if not _alike(one.frequency, SAME_FREQUENCY):
            found.append(Untyped(f"frequency of section {number}", one.frequency))
        if one.as_set.kind in GAIN_KINDS and not _same(one.gain, SAME_DB):
            found.append(Untyped(f"gain of section {number}", one.gain))
        if not _alike(one.width, SAME_WIDTH):
            found.append(Untyped(f"width of section {number}", one.width))
    each = (typed.high_pass, typed.low_pass, *typed.sections)
    return Unlike(tuple(found), tuple(one.problem for one in each if one and one.problem))


def _same(one: Typed, within: float) -> bool:
    return abs(one.residual) <= within


def _alike(one: Typed, within: float) -> bool:
    return abs(one.value / one.exact - 1) <= within


def _limited(figures: Iterable[tuple[str, Typed]]) -> list[str]:
    return [
        f"The {name} wanted is {_text(one.exact, 2)} {one.unit}; the processor goes to {one.text}."
        for name, one in figures
        if one.limited
    ]
