"""The settings of a device in the order in which they are typed into its program, and what the
program shows afterwards beside them.

A line is one setting of one channel; its cells are what stands in the program's own fields, in the
program's own units. Cells are texts: choices by their name in the plan ("linkwitz_riley", "off"),
figures as `wiring.filters.typing_in` writes them.
"""

import math
from collections.abc import Iterable, Sequence
from typing import Final, Literal

import msgspec

from wiring.filters.crossovers import slope_db
from wiring.filters.typing_in import GAIN_KINDS, Typed, TypedCrossover, setting_typed
from wiring.plan import Channel, ProcessorLimits, TypedBy

CellKind = Literal["family", "slope", "figure", "section", "polarity", "sound"]
OFF: Final = "off"
NORMAL, INVERTED = "normal", "inverted"
PLAYS, MUTED = "plays", "muted"
_ORDER: Final = ("high_pass", "low_pass", "level", "delay", "output")
_SAME: Final = 1e-6
"""Two figures are one where they differ by less than this part: they are typed and read, so no
tolerance is meant, only the noise of floating-point numbers."""


class Cell(msgspec.Struct, frozen=True):
    """One field of the program: what it is, what stands in it and, of a figure, what was wanted."""

    kind: CellKind
    name: str
    text: str
    typed: Typed | None = None

    @property
    def unit(self) -> str:
        """The unit of a figure; empty where it has none."""
        return self.typed.unit if self.typed is not None else ""


class Line(msgspec.Struct, frozen=True):
    """One setting of one channel; `what` is "level", "high_pass" or "eq_3". `problem` says what of
    it the program has not; the cells then hold the nearest it has."""

    channel_id: str
    what: str
    cells: tuple[Cell, ...]
    problem: str = ""

    @property
    def texts(self) -> tuple[str, ...]:
        """What stands in its cells."""
        return tuple(cell.text for cell in self.cells)

    @property
    def setting(self) -> str:
        """What kind of setting it is: every section of an equaliser is "eq"."""
        return self.what.partition("_")[0] if self.what.startswith("eq_") else self.what


def lines_of(limits: ProcessorLimits, channel: Channel) -> tuple[Line, ...]:
    """What is typed for one channel, one line a setting. Raises WiringError where a setting
    cannot be counted as the program counts."""
    typed = setting_typed(limits, channel.setting)
    setting = channel.setting
    lines = [
        *(
            Line(channel.id, what, _crossover(one), one.problem if one is not None else "")
            for what, one in (("high_pass", typed.high_pass), ("low_pass", typed.low_pass))
        ),
        Line(channel.id, "level", (_figure("level", typed.level),)),
        Line(channel.id, "delay", (_figure("delay", typed.delay.typed),)),
        Line(
            channel.id,
            "output",
            (
                Cell("polarity", "polarity", INVERTED if setting.inverted else NORMAL),
                Cell("sound", "sound", MUTED if setting.muted else PLAYS),
            ),
        ),
    ]
    for number, one in enumerate(typed.sections, start=1):
        has_gain = one.as_set.kind in GAIN_KINDS
        cells = (
            Cell("section", "kind", one.as_set.kind),
            _figure("frequency", one.frequency),
            _figure("gain", one.gain) if has_gain else Cell("figure", "gain", ""),
            _figure("width", one.width),
        )
        lines.append(Line(channel.id, f"eq_{number}", cells, one.problem))
    return tuple(lines)


def _figure(name: str, typed: Typed) -> Cell:
    return Cell("figure", name, typed.text, typed)


def _crossover(typed: TypedCrossover | None) -> tuple[Cell, ...]:
    if typed is None:
        return (
            Cell("family", "family", OFF),
            Cell("slope", "slope", ""),
            Cell("figure", "frequency", ""),
        )
    return (
        Cell("family", "family", typed.as_set.family),
        Cell("slope", "slope", f"{slope_db(typed.as_set.order)}"),
        _figure("frequency", typed.frequency),
    )


def in_order(lines: Iterable[Line], typed_by: TypedBy) -> list[tuple[str, list[Line]]]:
    """Lines in the groups in which they are typed: by channel id, or by setting ("level", "eq")
    with the channels of each as they came."""
    groups: dict[str, list[Line]] = {}
    for line in lines:
        groups.setdefault(line.channel_id if typed_by == "channel" else line.setting, []).append(
            line
        )
    if typed_by == "setting":
        places = {name: place for place, name in enumerate(_ORDER)}
        return sorted(groups.items(), key=lambda one: places.get(one[0], len(places)))
    return list(groups.items())


def unlike(line: Line, shown: Sequence[str]) -> tuple[int, ...]:
    """Which cells the program shows otherwise. A filter that is off has no other cells."""
    if len(shown) != len(line.cells):
        return tuple(range(len(line.cells)))
    if line.cells[0].kind == "family" and line.cells[0].text == shown[0] == OFF:
        return ()
    return tuple(
        place
        for place, (cell, text) in enumerate(zip(line.cells, shown, strict=True))
        if not _alike(cell.text, text)
    )


def _alike(wanted: str, shown: str) -> bool:
    if wanted == shown:
        return True
    one, other = number_in(wanted), number_in(shown)
    if one is None or other is None:
        return False
    return math.isclose(one, other, rel_tol=_SAME, abs_tol=_SAME)


def number_in(text: str) -> float | None:
    """The number a cell shows, with decimal point or comma; None where there is none."""
    try:
        found = float(text.replace("−", "-").replace(",", "."))
    except ValueError:
        return None
    return found if math.isfinite(found) else None


def endangers(line: Line, shown: Sequence[str]) -> bool:
    """Whether what the program shows lets lower tones to a speaker than its high-pass does, or
    turns it round, or lets it play or not where it should not."""
    cells = unlike(line, shown)
    if line.what == "output":
        return bool(cells)
    if line.what != "high_pass" or not cells or len(shown) != len(line.cells):
        return line.what == "high_pass" and bool(cells)
    if line.cells[0].text == OFF:
        return False
    if shown[0] == OFF:
        return True
    slope, frequency = (
        (number_in(shown[place]) or 0.0) < (number_in(line.cells[place].text) or 0.0) * (1 - _SAME)
        for place in (1, 2)
    )
    return slope or frequency
