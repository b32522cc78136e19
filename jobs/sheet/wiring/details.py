"""Each device with its channels: number, wires with plug, cavity and colour, speaker, load."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from django.utils.translation import gettext

from jobs.sheet.wiring.canvas import INK, NAME, SMALL, SOFT, Canvas
from jobs.sheet.wiring.letters import LEADING, width_of, wrapped
from jobs.sheet.wiring.nodes import Installation, Node, Output

BOX_W: Final = 190.0
PIN_W: Final = 40.0
SPEAKER_W: Final = 246.0
PAD: Final = 5.0
MIDDLE: Final = 10.5
"""Letters of what is fed [pt]."""

GAP: Final = 16.0
APART: Final = 24.0
"""From the plus wire to the minus wire."""

CELL: Final = 26.0
STEP: Final = LEADING * SMALL


@dataclass(frozen=True)
class _Row:
    """A channel: what stands above and below its wires, and at its speaker."""

    output: Output
    plug: Sequence[str]
    below: Sequence[str]
    speaker: Sequence[tuple[str, float]]
    """Lines and the size of their letters; what is larger than SMALL is bold."""

    @property
    def above(self) -> float:
        return STEP * max(1, len(self.plug)) + 8

    @property
    def speaker_height(self) -> float:
        return sum(LEADING * size for _, size in self.speaker) + 2 * PAD

    @property
    def height(self) -> float:
        wires = self.above + (0 if self.output.line else APART) + STEP * len(self.below) + 10
        return max(wires, self.speaker_height + 2) + 4


@dataclass(frozen=True)
class Chunk:
    """A device with as many of its channels as stand together on a page."""

    node: Node
    rows: Sequence[_Row]
    said: Sequence[str]
    name: Sequence[str]
    first: bool

    @property
    def title(self) -> Sequence[str]:
        """What the device is called, and that it goes on from the page before."""
        said = self.node.title
        if not self.first:
            said = gettext("%(title)s, continued") % {"title": said}
        return wrapped(said, BOX_W - 2 * PAD, NAME, bold=True)

    @property
    def height(self) -> float:
        words = LEADING * NAME * len(self.title) + STEP * (len(self.name) + len(self.said))
        words += 2 * PAD
        return max(words, sum(row.height for row in self.rows) + 4)


def _row(output: Output, room: float) -> _Row:
    speaker: list[tuple[str, float]] = []
    inner = SPEAKER_W - 2 * PAD - 14
    for name, words, product in output.feeds:
        title = wrapped(f"{name} {words}", inner, MIDDLE, bold=True)
        speaker += [(line, MIDDLE) for line in title]
        speaker += [(line, SMALL) for line in wrapped(product, inner, SMALL)]
    last = ", ".join(one for one in (output.joining, output.load, output.polarity) if one)
    for one in (last, output.note):
        speaker += [(line, SMALL) for line in wrapped(one, inner, SMALL)]
    return _Row(
        output,
        wrapped(output.plug, room, SMALL, bold=True),
        wrapped(output.cable, room, SMALL),
        speaker,
    )


def _wire_room(width: float) -> float:
    return width - BOX_W - PIN_W - SPEAKER_W - 10


def chunks(whole: Installation, width: float, height: float) -> Iterator[Chunk]:
    """Every device that has channels in use, cut where a page is full."""
    for node in whole.nodes.values():
        rows = [_row(one, _wire_room(width) - 8) for one in node.outputs]
        if not rows:
            continue
        room = BOX_W - 2 * PAD
        joints = [
            "; ".join(one for one in (joint.above, joint.below) if one)
            for joint in whole.ending_at(node.id)
        ]
        said = [line for one in (*node.facts, *joints) for line in wrapped(one, room, SMALL)]
        name = wrapped(node.name, room, SMALL)
        taken: list[_Row] = []
        first = True
        for row in rows:
            if taken and sum(one.height for one in taken) + row.height + 4 > height:
                yield Chunk(node, taken, said if first else (), name, first)
                taken, first = [], False
            taken.append(row)
        yield Chunk(node, taken, said if first else (), name, first)


def pages(whole: Installation, width: float, height: float) -> list[list[Chunk]]:
    """What stands together on each page."""
    split: list[list[Chunk]] = []
    used = height
    for chunk in chunks(whole, width, height):
        if used + chunk.height > height:
            split.append([])
            used = 0.0
        split[-1].append(chunk)
        used += chunk.height + GAP
    return split


def first_page_of(split: Sequence[Sequence[Chunk]], before: int) -> Mapping[str, int]:
    """On which page each device begins, after so many pages."""
    found: dict[str, int] = {}
    for at, page in enumerate(split):
        for chunk in page:
            found.setdefault(chunk.node.id, before + at + 1)
    return found


def drawn(page: Sequence[Chunk], width: float, height: float) -> Canvas:
    """One page of devices."""
    needed = sum(chunk.height + GAP for chunk in page) - GAP
    canvas = Canvas(width, max(height, needed))
    top = 0.0
    for chunk in page:
        _chunk(canvas, chunk, top, width)
        top += chunk.height + GAP
    return canvas


def _chunk(canvas: Canvas, chunk: Chunk, top: float, width: float) -> None:
    canvas.box(1, top + 1, BOX_W - 2, chunk.height - 2, stroke=2)
    after = canvas.lines(PAD, top + PAD, chunk.title, NAME, bold=True)
    after = canvas.lines(PAD, after, chunk.name)
    canvas.lines(PAD, after, chunk.said, colour=SOFT)
    y = top + 2
    for row in chunk.rows:
        _channel(canvas, row, y, width)
        y += row.height


def _channel(canvas: Canvas, row: _Row, top: float, width: float) -> None:
    output = row.output
    begin, end = BOX_W + PIN_W, width - SPEAKER_W
    plus = top + row.above + 4
    minus = plus if output.line else plus + APART
    pin = max(PIN_W - 12, width_of(output.short, NAME, bold=True) + 8)
    middle = (plus + minus) / 2
    canvas.box(BOX_W - 1, middle - 10, pin, 20, stroke=1.4, corner=2)
    canvas.text(
        BOX_W - 1 + pin / 2, middle + NAME * 0.36, output.short, NAME, bold=True, anchor="middle"
    )
    if output.line:
        canvas.line((BOX_W - 1 + pin, middle), (end, middle), width=1.4, dash="9 3 2 3")
    else:
        for y in (plus, minus):
            canvas.line((BOX_W - 1 + pin, middle), (begin, middle), (begin, y), width=1.2)
        for y, lead, sign in ((plus, output.plus, "+"), (minus, output.minus, "−")):
            _lead(canvas, begin, end, y, lead, sign)
    canvas.lines((begin + end) / 2, top + 2, row.plug, bold=True, anchor="middle")
    if output.plug:
        _plug(canvas, output, (begin + end) / 2, plus, minus)
    canvas.lines((begin + end) / 2, minus + 9, row.below, anchor="middle", colour=SOFT)
    _speaker(canvas, row, top, end, plus, minus)


def _lead(
    canvas: Canvas, begin: float, end: float, y: float, lead: Mapping[str, str], sign: str
) -> None:
    """One wire, its colour twice beside the plug, its sign at both ends."""
    canvas.wire(begin, end, y, lead["base"], lead["stripe"])
    middle = (begin + end) / 2
    for at in ((begin + middle - CELL / 2) / 2, (middle + CELL / 2 + end) / 2):
        words = " ".join(one for one in (sign, lead["code"]) if one)
        width = width_of(words, SMALL, bold=True) + 6
        canvas.box(at - width / 2, y - 6.2, width, 12.4, stroke=0.6, corner=2)
        canvas.text(at, y + 3.3, words, bold=True, anchor="middle")


def _plug(canvas: Canvas, output: Output, x: float, plus: float, minus: float) -> None:
    """The plug as a cell for each wire, with its cavity where that is recorded."""
    leads = ((plus, output.plus), (minus, output.minus))
    wide = max(CELL, *(width_of(lead["cavity"], SMALL, bold=True) + 6 for _, lead in leads))
    for y, lead in leads[: 1 if output.line else 2]:
        canvas.box(x - wide / 2, y - 8, wide, 16, stroke=1.6, corner=1)
        canvas.text(x, y + 3.3, lead["cavity"], bold=True, anchor="middle")


def _speaker(canvas: Canvas, row: _Row, top: float, left: float, plus: float, minus: float) -> None:
    height = row.speaker_height
    middle = (plus + minus) / 2
    box_top = max(top + 1, min(middle - height / 2, top + row.height - height - 3))
    height = max(height, minus + 8 - box_top)
    canvas.box(left, box_top, SPEAKER_W - 1, height, stroke=1.6)
    if not row.output.line:
        for y, sign in ((plus, "+"), (minus, "−")):
            canvas.text(left + 4, y + 3.4, sign, bold=True)
    y = box_top + PAD
    for line, size in row.speaker:
        bold = size > SMALL
        colour = INK if bold else SOFT
        y = canvas.lines(left + PAD + 12, y, [line], size, bold=bold, colour=colour)
