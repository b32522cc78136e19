"""Plugs of the car as they are seen, and what sits in their cavities.

A plug whose face was entered is drawn so; of any other only the cavities are known in which a
wire was found, and they are drawn in a row that says nothing of where they sit.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from django.utils.translation import gettext

from jobs import wording
from jobs.sheet.wiring.canvas import NAME, SMALL, SOFT, Canvas
from jobs.sheet.wiring.letters import LEADING, width_of, wrapped
from jobs.sheet.wiring.nodes import plug_key
from shop.kept_words import told
from wiring.colours import SWATCHES

Document = Mapping[str, Any]
STEP: Final = LEADING * SMALL
LINE: Final = STEP + 3
HALF_GAP: Final = 24.0
GAP: Final = 20.0
LARGEST_CELL: Final = 34.0
SMALLEST_CELL: Final = 24.0
CELL_H: Final = 30.0
LATCH: Final = 8.0
PAD: Final = 8.0


@dataclass
class Plug:
    """A plug with its cavities by name: colours, and the channel whose wire it is."""

    name: str
    rows: int = 0
    columns: int = 0
    seen_from: str = ""
    cavities: dict[str, dict[str, str]] = field(default_factory=dict)

    @property
    def recorded(self) -> bool:
        """Its face was entered."""
        return self.rows > 0


def plugs_of(document: Document) -> list[Plug]:
    """The plugs that carry a channel, in the order of the channels."""
    tables = {plug_key(one["name"]): one for one in document.get("plugs", ())}
    found: dict[str, Plug] = {}
    for channel in document["plan"].get("channels", ()):
        wire = channel.get("wire") or {}
        name, key = wire.get("connector", ""), plug_key(wire.get("connector", ""))
        leads = [
            (wire.get(side) or {}, sign) for side, sign in (("positive", "+"), ("negative", "−"))
        ]
        if not key or not any(lead.get("cavity") for lead, _ in leads):
            continue
        if key not in found:
            found[key] = _plug(name, tables.get(key))
        for lead, sign in leads:
            if cavity := lead.get("cavity"):
                found[key].cavities.setdefault(cavity, {"function": ""})
                row = found[key].cavities[cavity]
                row["base"], row["stripe"] = lead.get("base", ""), lead.get("stripe", "")
                mark = wording.bridged(channel["id"], channel.get("bridged_with"))
                row["channel"] = ", ".join(
                    one for one in (row.get("channel", ""), f"{mark} {sign}") if one
                )
    return list(found.values())


def _plug(name: str, table: Document | None) -> Plug:
    if table is None:
        return Plug(name)
    cavities = {
        one["cavity"]: {
            "base": one["base"],
            "stripe": one["stripe"],
            "function": one["function"],
        }
        for one in table["cavities"]
    }
    return Plug(name, table["rows"], table["columns"], table["seen_from"], cavities)


def _in_order(name: str) -> tuple[str, int, str]:
    found = re.fullmatch(r"([A-Za-z]*)(\d{1,6})", name)
    return (found[1], int(found[2]), "") if found else ("", 10**6, name)


@dataclass(frozen=True)
class _Card:
    plug: Plug
    width: float
    cell: float
    columns: int
    rows: int
    title: Sequence[str]
    under: Sequence[str]
    listed: Sequence[tuple[Mapping[str, str], Sequence[str]]]

    @property
    def face_height(self) -> float:
        return LATCH + 2 * PAD + self.rows * (CELL_H + 3)

    @property
    def height(self) -> float:
        words = LEADING * NAME * len(self.title) + STEP * len(self.under) + 6
        return (
            words
            + self.face_height
            + 6
            + sum(LINE + STEP * (len(one) - 1) for _, one in self.listed)
        )


def _card(plug: Plug, width: float) -> _Card:
    names = sorted(plug.cavities, key=_in_order)
    half = (width - HALF_GAP) / 2
    columns = plug.columns if plug.recorded else max(1, min(len(names), 12))
    rows = plug.rows if plug.recorded else -(-len(names) // columns)
    wide = columns * (SMALLEST_CELL + 3) + 2 * PAD > half
    room = width if wide else half
    cell = max(12.0, min(LARGEST_CELL, (room - 2 * PAD) / columns - 3))
    under = (
        told(f"Seen from the {plug.seen_from.lower()}")
        if plug.recorded
        else gettext("Cavities in use, in order")
    )
    listed = []
    for name in names:
        one = plug.cavities[name]
        lead = wording.lead({"cavity": name, **one})
        said = [lead["code"], lead["colour"], one.get("channel") or one["function"]]
        words = f"{name}:  {', '.join(each for each in said if each) or gettext('not recorded')}"
        listed.append((one, wrapped(words, room - 36, SMALL)))
    return _Card(
        plug,
        room,
        cell,
        columns,
        rows,
        wrapped(plug.name, room, NAME, bold=True),
        wrapped(under, room, SMALL),
        listed,
    )


def pages(document: Document, width: float, height: float) -> list[Canvas]:
    """Every plug as a card, in two columns where they are narrow enough."""
    split: list[list[tuple[_Card, float, float]]] = []
    x, top, row_height = 0.0, height, 0.0
    for plug in plugs_of(document):
        card = _card(plug, width)
        if split and x > 0 and x + card.width <= width + 0.1 and top + card.height <= height:
            row_height = max(row_height, card.height)
        else:
            top += row_height + GAP
            x, row_height = 0.0, card.height
            if top + card.height > height:
                split.append([])
                top = 0.0
        split[-1].append((card, x, top))
        x += card.width + HALF_GAP
    canvases = []
    for page in split:
        canvas = Canvas(width, max(height, *(top + card.height for card, _, top in page)))
        for card, left, at in page:
            _draw(canvas, card, left, at)
        canvases.append(canvas)
    return canvases


def _draw(canvas: Canvas, card: _Card, left: float, top: float) -> None:
    y = canvas.lines(left, top, card.title, NAME, bold=True)
    y = canvas.lines(left, y, card.under, colour=SOFT) + 4
    _face(canvas, card, left, y)
    y += card.face_height + 6
    for one, lines in card.listed:
        canvas.wire(left, left + 24, y + 6, one.get("base", ""), one.get("stripe", ""))
        y = canvas.lines(left + 32, y, lines) + LINE - STEP


def _face(canvas: Canvas, card: _Card, left: float, top: float) -> None:
    plug = card.plug
    width = 2 * PAD + card.columns * (card.cell + 3) - 3
    dash = "" if plug.recorded else "4 3"
    if plug.recorded:
        canvas.box(left + width / 2 - 18, top, 36, LATCH + 4, corner=2)
    canvas.box(left, top + LATCH, width, card.face_height - LATCH, stroke=1.6, corner=6, dash=dash)
    placed = _placed(card)
    for place in range(card.rows * card.columns):
        row, column = divmod(place, card.columns)
        x = left + PAD + column * (card.cell + 3)
        y = top + LATCH + PAD + row * (CELL_H + 3)
        name = placed.get(place)
        if name is None:
            if plug.recorded:
                canvas.box(x, y, card.cell, CELL_H, stroke=0.5)
            continue
        one = plug.cavities[name]
        canvas.box(x, y, card.cell, CELL_H, stroke=2 if one.get("channel") else 0.9)
        short = next(
            (name[:count] for count in range(len(name), 0, -1) if _fits(name[:count], card.cell)),
            "",
        )
        canvas.text(x + card.cell / 2, y + 12, short, bold=True, anchor="middle")
        if one.get("base", "") in SWATCHES:
            canvas.wire(x + 4, x + card.cell - 4, y + 22, one["base"], one.get("stripe", ""))


def _fits(words: str, cell: float) -> bool:
    return width_of(words, SMALL, bold=True) <= cell - 2


def _placed(card: _Card) -> dict[int, str]:
    """Which cavity sits in which place: a number along the rows, a letter with a number by row
    and column; what says neither takes the next free place."""
    names = sorted(card.plug.cavities, key=_in_order)
    if not card.plug.recorded:
        return dict(enumerate(names))
    placed: dict[int, str] = {}
    left = []
    for name in names:
        place = _place(name, card.rows, card.columns)
        if place is None or place in placed:
            left.append(name)
        else:
            placed[place] = name
    free = [place for place in range(card.rows * card.columns) if place not in placed]
    return placed | dict(zip(free, left, strict=False))


def _place(name: str, rows: int, columns: int) -> int | None:
    place = None
    if name.isascii() and name.isdigit() and int(name):
        place = int(name) - 1
    elif found := re.fullmatch(r"([A-Za-z])(\d{1,2})", name):
        row, column = ord(found[1].upper()) - ord("A"), int(found[2]) - 1
        if 0 <= column < columns:
            place = row * columns + column
    return place if place is not None and place < rows * columns else None
