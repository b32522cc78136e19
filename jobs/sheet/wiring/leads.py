"""Adapter leads: each wire from the pin at one end to the pin at the other."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from django.utils.translation import gettext, gettext_noop as kept

from jobs import wording
from jobs.sheet.wiring.canvas import NAME, SMALL, SOFT, Canvas
from jobs.sheet.wiring.letters import LEADING, width_of, wrapped

Document = Mapping[str, Any]
TITLE: Final = kept("Adapter leads")
HEADING: Final = 14.0
"""The letters of the title where it stands within a page [pt]."""

GAP: Final = 24.0
"""Between the two columns of a page, and between leads below one another."""

SMALLEST_PIN: Final = 24.0
PIN_H: Final = 16.0
ROW_GAP: Final = 5.0
STEP: Final = LEADING * SMALL


@dataclass(frozen=True)
class _Row:
    """A wire, and what stands above it."""

    wire: Mapping[str, Any]
    words: list[str]

    @property
    def height(self) -> float:
        return STEP * len(self.words) + PIN_H + ROW_GAP


@dataclass(frozen=True)
class _Head:
    """The name of a lead and of the plugs at its ends, and how wide its pins are."""

    name: list[str]
    near: list[str]
    far: list[str]
    pins: tuple[float, float]

    @property
    def height(self) -> float:
        plugs = max(len(self.near), len(self.far))
        return LEADING * NAME * len(self.name) + STEP * plugs + ROW_GAP


@dataclass(frozen=True)
class _Piece:
    """As much of a lead as stands in one place."""

    head: _Head
    rows: list[_Row]
    column: int
    top: float


def pages(document: Document, width: float, height: float) -> list[Canvas]:
    """Every lead in one of two columns; one that is too long goes on in the next."""
    canvases = []
    for page in _split(document, _column(width), height):
        canvases.append(Canvas(width, height))
        _draw_all(canvases[-1], page, 0.0)
    return canvases


def drawn_below(canvas: Canvas, document: Document) -> bool:
    """Draw all leads below what stands on a page already, if there is room for them."""
    used = [one.bottom for one in canvas.words] + [bottom for *_, bottom in canvas.boxes]
    heading = max(used, default=0.0) + GAP
    top = heading + LEADING * HEADING + ROW_GAP
    split = _split(document, _column(canvas.width), canvas.height - top)
    if len(split) != 1:
        return False
    canvas.lines(0, heading, [gettext(TITLE)], HEADING, bold=True)
    _draw_all(canvas, split[0], top)
    return True


def _column(width: float) -> float:
    return (width - GAP) / 2


def _draw_all(canvas: Canvas, pieces: list[_Piece], top: float) -> None:
    room = _column(canvas.width)
    for piece in pieces:
        _draw(canvas, piece, piece.column * (room + GAP), top + piece.top, room)


def told(document: Document) -> str:
    """The leads in words."""
    return "; ".join(
        f"{one['name']}: "
        + ", ".join(f"{_way(wire)} {_said(wire)}".strip() for wire in one["wires"])
        for one in _leads(document)
    )


def _way(wire: Mapping[str, Any]) -> str:
    return gettext("%(here)s to %(there)s") % {"here": wire["from_pin"], "there": wire["to_pin"]}


def _leads(document: Document) -> list[Document]:
    return [one for one in document.get("adapters", ()) if one["wires"]]


def _said(wire: Mapping[str, Any]) -> str:
    lead = wording.lead(wire)
    return ", ".join(filter(None, [lead["code"], lead["colour"], wire["note"]]))


def _split(document: Document, room: float, height: float) -> list[list[_Piece]]:
    """The pieces of each page."""
    split: list[list[_Piece]] = []
    column, top = 1, height + 1
    for lead in _leads(document):
        head, rows = _head(lead, room), list(_rows(lead, room))
        while rows:
            least = head.height + rows[0].height
            if top > 0 and top + least > height:
                column, top = 1 - column, 0.0
                if column == 0:
                    split.append([])
            taken, bottom = [rows.pop(0)], top + least
            while rows and bottom + rows[0].height <= height:
                bottom += rows[0].height
                taken.append(rows.pop(0))
            split[-1].append(_Piece(head, taken, column, top))
            top = bottom + GAP
    return split


def _head(lead: Document, room: float) -> _Head:
    half = (room - GAP) / 2
    near, far = (
        max(SMALLEST_PIN, *(width_of(one[end], SMALL, bold=True) + 8 for one in lead["wires"]))
        for end in ("from_pin", "to_pin")
    )
    return _Head(
        wrapped(lead["name"], room, NAME, bold=True),
        wrapped(lead["from_plug"], half, SMALL, bold=True),
        wrapped(lead["to_plug"], half, SMALL, bold=True),
        (near, far),
    )


def _rows(lead: Document, room: float) -> Iterator[_Row]:
    near, far = _head(lead, room).pins
    for wire in lead["wires"]:
        yield _Row(wire, wrapped(_said(wire), room - near - far - 8, SMALL))


def _draw(canvas: Canvas, piece: _Piece, left: float, top: float, room: float) -> None:
    head, right = piece.head, left + room
    y = canvas.lines(left, top, head.name, NAME, bold=True)
    canvas.lines(left, y, head.near, bold=True)
    canvas.lines(right, y, head.far, bold=True, anchor="end")
    y += STEP * max(len(head.near), len(head.far)) + ROW_GAP
    near, far = head.pins
    for row in piece.rows:
        words = canvas.lines(
            (left + near + right - far) / 2, y, row.words, anchor="middle", colour=SOFT
        )
        middle = words + PIN_H / 2
        canvas.wire(left + near, right - far, middle, row.wire["base"], row.wire["stripe"])
        for start, wide, pin in (
            (left, near, row.wire["from_pin"]),
            (right - far, far, row.wire["to_pin"]),
        ):
            canvas.box(start, middle - PIN_H / 2, wide, PIN_H, stroke=1.6, corner=1)
            canvas.text(start + wide / 2, middle + 3.3, pin, bold=True, anchor="middle")
        y += row.height
