"""Entry lists: what is to be typed into each program, what was, and what the program shows.

A job has a list for each device whose limits are on record. Device and channel are told by their
ids, so two devices of one product have each their own.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Final, NamedTuple

from django.utils.translation import gettext_noop as kept

from jobs import wording
from jobs.models import Job
from jobs.plan import rows as plan_rows
from jobs.plan.tuning import speakers_through
from wiring import plan as doc
from wiring.context import Context
from wiring.errors import WiringError
from wiring.filters.entry_list import (
    INVERTED as INVERTED,
    MUTED as MUTED,
    NORMAL as NORMAL,
    OFF as OFF,
    PLAYS as PLAYS,
    Cell as Cell,
    Line as Line,
    endangers,
    in_order,
    lines_of,
    number_in as number_in,
    unlike,
)
from wiring.filters.typing_in import limits_of
from wiring.findings import Finding
from wiring.names import channel_name

SAFE_KINDS: Final = frozenset({"tweeter", "midrange"})
"""Speakers that low tones harm."""

NAMES: Final[dict[str, str]] = {
    "high_pass": kept("High-pass"),
    "low_pass": kept("Low-pass"),
    "level": kept("Level"),
    "delay": kept("Delay"),
    "output": kept("Polarity and mute"),
    "eq": kept("Equaliser"),
}
CELL_NAMES: Final[dict[str, str]] = {
    "family": kept("Family"),
    "slope": kept("Slope"),
    "frequency": kept("Frequency"),
    "level": kept("Level"),
    "delay": kept("Delay"),
    "polarity": kept("Polarity"),
    "sound": kept("Mute"),
    "kind": kept("Kind"),
    "gain": kept("Gain"),
    "width": kept("Width"),
}
CELL_WORDS: Final[dict[str, str]] = {
    **{str(key): name for key, name in wording.FAMILIES.items()},
    **wording.SECTIONS,
    OFF: kept("off"),
    NORMAL: kept("normal"),
    INVERTED: kept("inverted"),
    PLAYS: kept("not muted"),
    MUTED: kept("muted"),
}


class Entry(NamedTuple):
    """One line of a list with its row, where it has one: `row` has `typed` and `shown`."""

    line: Line
    row: Any

    @property
    def typed(self) -> Sequence[str]:
        return self.row.typed if self.row is not None else ()

    @property
    def shown(self) -> Sequence[str]:
        return self.row.shown if self.row is not None else ()

    @property
    def ticked(self) -> bool:
        """It was entered as it is set now."""
        return bool(self.typed) and not unlike(self.line, self.typed)

    @property
    def changed(self) -> bool:
        """It was entered, and set otherwise since."""
        return bool(self.typed) and not self.ticked

    @property
    def differs(self) -> tuple[int, ...]:
        """The cells that the program shows otherwise."""
        return unlike(self.line, self.shown) if self.shown else ()

    @property
    def proved(self) -> bool:
        """The program was read, and shows what is set."""
        return bool(self.shown) and not self.differs


class EntryList(NamedTuple):
    """What is typed into one device: lines in groups, in the order of its program."""

    device: doc.Device
    typed_by: doc.TypedBy
    groups: list[tuple[str, list[Entry]]]
    trouble: str = ""

    @property
    def entries(self) -> list[Entry]:
        return [entry for _, entries in self.groups for entry in entries]

    @property
    def total(self) -> int:
        return len(self.entries)

    @property
    def ticked(self) -> int:
        return sum(entry.ticked for entry in self.entries)

    @property
    def proved(self) -> int:
        return sum(entry.proved for entry in self.entries)

    @property
    def differing(self) -> int:
        return sum(bool(entry.differs) for entry in self.entries)


def in_use(plan: doc.Plan, device_id: str) -> list[doc.Channel]:
    """The channels of a device that play or feed something, or are set to anything."""
    taken = {
        (one.device, max(one.number, one.bridged_with))
        for one in plan.channels
        if one.bridged_with is not None
    }
    return [
        one
        for one in plan.channels
        if one.device == device_id
        and (one.device, one.number) not in taken
        and (one.speakers or one.feeds_device is not None or one.setting != doc.Setting())
    ]


def lists_of(
    plan: doc.Plan, rows: Mapping[tuple[str, str], Any], typed_by: str = ""
) -> list[EntryList]:
    """An entry list for each device whose limits are on record. `rows` are by channel id and
    setting; `typed_by` turns the order away from the product's own."""
    found = []
    for device in plan.devices:
        limits = limits_of(device)
        if limits is None:
            continue
        order: doc.TypedBy = limits.typed_by
        if typed_by in ("channel", "setting"):
            order = "channel" if typed_by == "channel" else "setting"
        lines: list[Line] = []
        trouble = ""
        for channel in in_use(plan, device.id):
            try:
                lines += lines_of(limits, channel)
            except WiringError as error:
                trouble = f"{wording.capital(error.reason)}."
        groups = [
            (name, [Entry(line, rows.get((line.channel_id, line.what))) for line in own])
            for name, own in in_order(lines, order)
        ]
        found.append(EntryList(device, order, groups, trouble))
    return found


def has_lists(plan: doc.Plan) -> bool:
    """Whether any device of the plan has its limits on record."""
    return any(device.limits is not None for device in plan.devices)


def said(cells: Iterable[Cell], texts: Sequence[str], word: Callable[[str], str] = str) -> str:
    """What stands in some cells, in words: "Linkwitz-Riley, 24 dB/oct, 80 Hz". `word` says a word
    in another language than the kept one."""
    words = []
    for cell, text in zip(cells, texts, strict=False):
        if not text:
            continue
        unit = "dB/oct" if cell.kind == "slope" else unit_of(cell)
        words.append(f"{word(CELL_WORDS[text]) if text in CELL_WORDS else text} {unit}".strip())
    return ", ".join(words)


def unit_of(cell: Cell) -> str:
    """The unit of a cell, also of one that is empty."""
    if cell.unit or cell.kind != "figure":
        return cell.unit
    return {"frequency": "Hz", "gain": "dB"}.get(cell.name, "")


def name_of(line: Line) -> str:
    """What a line is called: "Level", "Section 3"."""
    if line.setting == "eq":
        return f"Section {line.what.partition('_')[2]}"
    return NAMES[line.what]


def rows_by_line(job: Job) -> dict[tuple[str, str], Any]:
    """What was typed and read back, by channel id and setting, in one query."""
    return {
        (wording.mark(row.channel_part_label, row.channel_kind, row.channel_number), row.what): row
        for row in plan_rows.read_back(job.pk)
    }


def read_back_findings(job: Job, plan: doc.Plan) -> list[Finding]:
    """What programs show otherwise than is set; nothing is read where no limits are on record."""
    if not has_lists(plan):
        return []
    read = rows_by_line(job)
    if not read:
        return []
    context, heard = Context(plan), speakers_through(plan)
    found = []
    for one in lists_of(plan, read):
        found += [
            _finding(context, entry, heard.get(entry.line.channel_id, []))
            for entry in one.entries
            if entry.differs
        ]
        if changed := [entry for entry in one.entries if entry.changed and not entry.differs]:
            found.append(_changed(one.device, changed))
    return found


def _changed(device: doc.Device, changed: Sequence[Entry]) -> Finding:
    """Settings that were entered, and set otherwise afterwards."""
    first = changed[0].line
    where = f"{name_of(first).lower()} of {first.channel_id}"
    more = f" and {len(changed) - 1} more" if len(changed) > 1 else ""
    return Finding(
        rule="entered-then-changed",
        severity="caution",
        title=f"{device.name}: {where}{more} set otherwise after it was entered",
        where=(device.id, *(entry.line.channel_id for entry in changed)),
        what_to_do="Type it again and tick it, or put the setting back.",
        source="the entry list",
    )


def _finding(context: Context, entry: Entry, speakers: Sequence[doc.Speaker]) -> Finding:
    line = entry.line
    harmed = any(one.kind in SAFE_KINDS or one.min_high_pass_hz for one in speakers)
    grave = endangers(line, entry.shown) and (line.what == "output" or harmed)
    name = channel_name(context, context.channels[line.channel_id])
    is_set = said(line.cells, line.texts) or "nothing"
    return Finding(
        rule="read-back-differs",
        severity="stop" if grave else "caution",
        title=f"{name}: {name_of(line).lower()} is set to {is_set}, the program shows "
        f"{said(line.cells, entry.shown) or 'nothing'}",
        where=(line.channel_id, f"{line.channel_id}-{line.what}"),
        what_to_do="Type what is set and read it back again, or put the setting right.",
        source="what was read back",
    )
