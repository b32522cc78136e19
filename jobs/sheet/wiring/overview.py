"""The whole installation on one drawing, from the left to the right: what the car has, rails
that lead away from it, cable and fuse, device, channels and speakers.

A rail is a line from the top to the bottom; lines that meet at a dot are connected, lines that
cross are not. Words stand where no rail runs. What is too much for one page goes on on the next,
where each rail says again what it comes from.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

from django.utils.translation import gettext, gettext_noop as kept, ngettext

from jobs.sheet.wiring.canvas import NAME, SMALL, SOFT, Canvas
from jobs.sheet.wiring.letters import LEADING, width_of, wrapped
from jobs.sheet.wiring.nodes import (
    BATTERY,
    BODY,
    FEED,
    HEADS,
    RETURN,
    SIGNAL,
    TURN_ON,
    Installation,
    Joint,
    Node,
    Output,
    Rail,
)


class _Widths(NamedTuple):
    """How the page's width is shared out [pt]; the speakers have what is left."""

    head: float
    rails: float
    cable: float
    box: float


WIDTHS: Final = (
    _Widths(104.0, 92.0, 178.0, 128.0),
    _Widths(96.0, 68.0, 205.0, 118.0),
    _Widths(90.0, 68.0, 186.0, 112.0),
)
"""The usual way first; the closer ones are taken where longer words then need a page less."""

PIN_W: Final = 30.0
GAP: Final = 8.0
TO_SPEAKER: Final = 12.0
PAD: Final = 5.0
STEP: Final = LEADING * SMALL
LEGEND_H: Final = 20.0
STYLES: Final[Mapping[str, tuple[float, str, str]]] = {
    FEED: (2.6, "", kept("supply")),
    RETURN: (2.6, "7 3", kept("ground")),
    TURN_ON: (1.6, "2 2.5", kept("turn-on")),
    SIGNAL: (1.1, "9 3 2 3", kept("signal")),
}
"""Width and dashes of each kind of line, and what it is called in the legend."""

_OUT: Final = {
    FEED: kept("Supply to %(devices)s"),
    RETURN: kept("Ground of %(devices)s"),
    TURN_ON: kept("Turn-on of %(devices)s"),
    SIGNAL: kept("Signal to %(devices)s"),
}
_JOINED: Final = kept("connected; lines that cross without a dot are not")
_ORDER: Final = (RETURN, FEED, TURN_ON, SIGNAL)


@dataclass(frozen=True)
class _Row:
    """A line at the left side of a box: a joint, or the beginning of a rail."""

    kind: str
    rail: Rail | None
    above: Sequence[str]
    below: Sequence[str]
    joint: Joint | None

    @property
    def height(self) -> float:
        below = STEP * len(self.below) + 5.5 if self.below else 3.0
        return STEP * len(self.above) + 8.5 + below

    @property
    def line(self) -> float:
        """Where the line is, from the top of the row."""
        return STEP * len(self.above) + 7.0


@dataclass(frozen=True)
class _Box:
    node: Node
    rows: Sequence[_Row]
    outputs: Sequence[tuple[Output, Sequence[Sequence[str]]]]
    summary: Sequence[str]
    title: Sequence[str]
    name: Sequence[str]
    facts: Sequence[str]

    @property
    def height(self) -> float:
        rows = sum(row.height for row in self.rows)
        outputs = sum(_output_height(lines) for _, lines in self.outputs)
        words = LEADING * NAME * len(self.title) + STEP * (len(self.name) + len(self.facts))
        words += 2 * PAD
        return max(rows + 2, outputs + 4, words, STEP * len(self.summary) + 2 * PAD)


def _output_height(feeds: Sequence[Sequence[str]]) -> float:
    return STEP * sum(len(lines) for lines in feeds) + 4.0


def _is_strap(whole: Installation, joint: Joint) -> bool:
    """The way from the car's body, where something is grounded, to the battery: it is drawn
    between the two."""
    grounded = any(one.rail == Rail(RETURN, BODY) for one in whole.joints)
    return grounded and joint.node == BODY and joint.rail == Rail(RETURN, BATTERY)


def _rows(whole: Installation, node: Node, rails: Sequence[Rail], widths: _Widths) -> list[_Row]:
    room = widths.cable - 2 * PAD
    rows = [
        _Row(
            one.kind,
            one.rail,
            wrapped(one.above, room, SMALL),
            wrapped(one.below, room, SMALL),
            one,
        )
        for one in whole.ending_at(node.id)
        if not _is_strap(whole, one)
    ]
    if node.id in HEADS:
        return rows
    for rail in rails:
        if rail.node == node.id:
            ends = ", ".join(dict.fromkeys(one.node for one in whole.joints if one.rail == rail))
            said = gettext(_OUT[rail.kind]) % {"devices": ends}
            rows.append(_Row(rail.kind, rail, wrapped(said, room, SMALL), (), None))
    return rows


def _speaker_room(width: float, widths: _Widths) -> float:
    return width - sum(widths) - PIN_W - TO_SPEAKER


def _boxes(
    whole: Installation,
    rails: Sequence[Rail],
    width: float,
    widths: _Widths,
    pages: Mapping[str, int] | None,
) -> list[_Box]:
    """The boxes; with `pages` a device says on which page its channels are drawn."""
    boxes = []
    inner = widths.box - 2 * PAD
    for node in whole.nodes.values():
        rows = _rows(whole, node, rails, widths)
        if node.id in HEADS and not rows:
            continue
        summary: list[str] = []
        outputs: list[tuple[Output, list[list[str]]]] = []
        if pages is None:
            room = _speaker_room(width, widths)
            outputs = [
                (one, [wrapped(_fed(one, at), room, SMALL) for at in range(len(one.feeds))])
                for one in node.outputs
            ]
        elif node.outputs:
            count = len(node.outputs)
            words = ngettext(
                "%(count)s channel in use: page %(page)s",
                "%(count)s channels in use: page %(page)s",
                count,
            ) % {"count": count, "page": pages[node.id]}
            summary = wrapped(words, _speaker_room(width, widths), SMALL)
        boxes.append(
            _Box(
                node,
                rows,
                outputs,
                summary,
                wrapped(node.title, inner, NAME, bold=True),
                wrapped(node.name, inner, SMALL),
                [line for fact in node.facts for line in wrapped(fact, inner, SMALL)],
            )
        )
    return boxes


def _fed(output: Output, at: int) -> str:
    name, words, product = output.feeds[at]
    said = f"{name}  {words}" + (f", {product}" if output.line and product else "")
    if at == len(output.feeds) - 1:
        said += "".join(f", {one}" for one in (output.joining, output.load) if one)
    return said


def overview(
    whole: Installation, width: float, height: float, pages: Mapping[str, int]
) -> list[Canvas]:
    """The drawings, one a page. `pages` says where the channels of each device are drawn."""
    rails = sorted(
        dict.fromkeys(one.rail for one in whole.joints if one.rail is not None),
        key=lambda rail: _ORDER.index(rail.kind),
    )
    room = height - LEGEND_H
    ways = [
        (widths, _packed(_boxes(whole, rails, width, widths, where), room))
        for where in (None, pages)
        for widths in WIDTHS
    ]
    widths, split = min(ways, key=lambda way: len(way[1]))
    return [_Page(whole, rails, boxes, width, height, split, widths).drawn() for boxes in split]


def _packed(boxes: Sequence[_Box], room: float) -> list[list[_Box]]:
    split: list[list[_Box]] = [[]]
    used = 0.0
    for box in boxes:
        if split[-1] and used + box.height > room:
            split.append([])
            used = 0.0
        split[-1].append(box)
        used += box.height + GAP
    return split


class _Page:
    """One page of the overview."""

    def __init__(
        self,
        whole: Installation,
        rails: Sequence[Rail],
        boxes: Sequence[_Box],
        width: float,
        height: float,
        split: Sequence[Sequence[_Box]],
        widths: _Widths,
    ) -> None:
        self.whole = whole
        self.widths = widths
        self.boxes = boxes
        self.here = {box.node.id for box in boxes} - set(HEADS)
        self.page_of = {box.node.id: at + 1 for at, each in enumerate(split) for box in each}
        used = {row.rail for box in boxes for row in box.rows if row.rail is not None}
        # What wakes a device or plays to it is named at the line: no rail for it from elsewhere.
        ends = {row.rail for box in boxes for row in box.rows if row.joint is not None}
        self.rails = [
            one
            for one in rails
            if one in used
            and (
                one.kind in (FEED, RETURN)
                or one.node in HEADS
                or (one.node in self.here and one in ends)
            )
        ]
        step = min(11.0, (widths.rails - 12.0) / max(1, len(self.rails)))
        self.x_of = {rail: widths.head + 9.0 + step * at for at, rail in enumerate(self.rails)}
        needed = sum(box.height + GAP for box in boxes) - GAP + LEGEND_H
        self.canvas = Canvas(width, max(height, needed))
        self.room = self.canvas.height - LEGEND_H
        self.reach: dict[Rail, list[float]] = {rail: [] for rail in self.rails}

    def drawn(self) -> Canvas:
        self._heads()
        top = 0.0
        spare = self.room - sum(box.height for box in self.boxes)
        gap = min(26.0, max(GAP, spare / max(1, len(self.boxes) - 1)))
        for box in self.boxes:
            self._box(box, top)
            top += box.height + gap
        for rail, ys in self.reach.items():
            if len(ys) > 1:
                width, dash, _ = STYLES[rail.kind]
                x = self.x_of[rail]
                self.canvas.line((x, min(ys)), (x, max(ys)), width=width, dash=dash)
        self._legend()
        return self.canvas

    def _heads(self) -> None:
        """What the car has, and what stands on another page, one below the other."""
        canvas, top = self.canvas, 0.0
        drawn: list[str] = []
        wanted = [rail.node for rail in self.rails if rail.node not in self.here]
        order = [BATTERY, BODY, *HEADS, *self.whole.nodes]
        for name in sorted(dict.fromkeys(wanted), key=order.index):
            node = self.whole.nodes[name]
            own = [rail for rail in self.rails if rail.node == name]
            below_battery = name == BODY and BATTERY in drawn
            if below_battery:
                top = self._strap(top)
            drawn.append(name)
            room = self.widths.head - 2 * PAD - 8
            title = wrapped(node.title, room, NAME, bold=True)
            small = [] if name not in HEADS else [node.name, *node.facts]
            if name == BODY and not below_battery:
                small += [
                    gettext("to the battery: %(straps)s") % {"straps": one}
                    for one in self._straps()
                ]
            if name in self.page_of and name not in HEADS:
                small = [gettext("drawn on page %(page)s") % {"page": self.page_of[name]}]
            lines = [line for one in small for line in wrapped(one, room, SMALL)]
            height = max(
                LEADING * NAME * len(title) + STEP * len(lines) + 2 * PAD, 15.0 * len(own) + 6
            )
            canvas.box(1, top + 1, self.widths.head - 8, height, stroke=2)
            after = canvas.lines(PAD + 1, top + PAD, title, NAME, bold=True)
            canvas.lines(PAD + 1, after, lines, colour=SOFT)
            for at, rail in enumerate(own):
                y = top + 1 + height * (at + 1) / (len(own) + 1)
                self._joined(rail, self.widths.head - 7, y)
            if name == BODY:
                canvas.line((20, top + 1 + height), (20, top + 9 + height), width=1.6)
                canvas.ground(20, top + 9 + height)
            top += height + (24 if name == BODY else 14)

    def _straps(self) -> list[str]:
        """What joins the car's body to the battery."""
        back = [one for one in self.whole.ending_at(BODY) if _is_strap(self.whole, one)]
        return [one.above for one in back] or [gettext("by the car’s own strap")]

    def _strap(self, top: float) -> float:
        """The way from the car's body to the battery, drawn between the two."""
        said = self._straps()
        lines = [line for one in said for line in wrapped(one, self.widths.head - 34, SMALL)]
        height = STEP * len(lines) + 8
        width, dash, _ = STYLES[RETURN]
        self.canvas.line((14, top - 13), (14, top + height + 1), width=width, dash=dash)
        self.canvas.lines(24, top + 2, lines, colour=SOFT)
        return top + height

    def _joined(self, rail: Rail, x: float, y: float) -> None:
        """A line from x to the rail at this height."""
        width, dash, _ = STYLES[rail.kind]
        self.canvas.line((x, y), (self.x_of[rail], y), width=width, dash=dash)
        self.canvas.dot(self.x_of[rail], y)
        self.reach[rail].append(y)

    def _box(self, box: _Box, top: float) -> None:
        canvas = self.canvas
        left = self.widths.head + self.widths.rails + self.widths.cable
        canvas.box(left, top + 1, self.widths.box, box.height - 2, stroke=2)
        after = canvas.lines(left + PAD, top + PAD, box.title, NAME, bold=True)
        after = canvas.lines(left + PAD, after, box.name)
        canvas.lines(left + PAD, after, box.facts, colour=SOFT)
        y = top + 2
        for row in box.rows:
            self._row(row, y, left)
            y += row.height
        self._outputs(box, top, left + self.widths.box)

    def _row(self, row: _Row, top: float, right: float) -> None:
        canvas, left = self.canvas, self.widths.head + self.widths.rails
        y = top + row.line
        width, dash, _ = STYLES[row.kind]
        begins = left
        if row.rail is not None and row.rail in self.x_of:
            begins = self.x_of[row.rail]
            canvas.dot(begins, y)
            self.reach[row.rail].append(y)
        canvas.line((begins, y), (right, y), width=width, dash=dash)
        canvas.lines(left + PAD, top, row.above)
        if row.joint is not None and row.joint.near_fuse:
            canvas.fuse(left + PAD, y)
        if row.joint is not None and row.joint.far_fuse:
            canvas.fuse(right - 34, y)
        canvas.lines(left + PAD, y + 6, row.below)

    def _outputs(self, box: _Box, top: float, left: float) -> None:
        canvas = self.canvas
        canvas.lines(left + PIN_W, top + PAD, box.summary, colour=SOFT)
        y = top + 2
        for output, feeds in box.outputs:
            height = _output_height(feeds)
            middle = y + STEP / 2 + 1
            canvas.line((left, middle), (left + PIN_W + 8, middle), width=1.1)
            pin = max(18.0, width_of(output.short, SMALL, bold=True) + 5)
            canvas.box(left, y + 0.5, pin, STEP, stroke=0.9, corner=1)
            canvas.text(left + pin / 2, y + 9.6, output.short, bold=True, anchor="middle")
            below = y + 0.5
            for lines in feeds:
                below = canvas.lines(left + PIN_W + TO_SPEAKER, below, lines)
            y += height

    def _legend(self) -> None:
        canvas, y = self.canvas, self.canvas.height - 5
        x = 0.0
        for width, dash, english in STYLES.values():
            words = gettext(english)
            canvas.line((x, y - 3), (x + 30, y - 3), width=width, dash=dash)
            canvas.text(x + 35, y, words, colour=SOFT)
            x += 35 + width_of(words, SMALL) + 18
        canvas.dot(x + 3, y - 3)
        canvas.text(x + 10, y, gettext(_JOINED), colour=SOFT)
        x += 10 + width_of(gettext(_JOINED), SMALL) + 18
        canvas.fuse(x, y - 3)
        canvas.text(x + 30, y, gettext("fuse"), colour=SOFT)
