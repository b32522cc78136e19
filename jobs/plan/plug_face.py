"""A plug's face as a drawing, and its cavities in pairs of plus and minus.

The drawing is our own: a housing with its latch on top, cavities in rows from the left, each in
the colours of its wire. A cavity known from a document alone has a broken outline.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Final, NamedTuple

from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext

from jobs.wording import function_said
from shop.kept_words import told
from shop.models import PlugCavity, PlugTable
from shop.models.plugs import Proof, SeenFrom
from shop.wording import inner
from wiring.colours import SWATCHES, describe

CELL: Final = 36
GAP: Final = 6
EDGE: Final = 12
LATCH: Final = 14
_SIGN: Final = re.compile(
    r"[\s,:]*(?:(\+|plus|positive|pos\.?)|(-|−|–|minus|negative|neg\.?))\s*$", re.IGNORECASE
)


def places(table: PlugTable, cavities: Sequence[PlugCavity]) -> dict[int, PlugCavity]:
    """Which cavity sits in which place of the face, places counted from 0 row by row.

    A number is counted along the rows, a letter with a number is row and column ("B3"); whatever
    is called otherwise, or falls off the face, takes the next free place while there is one.
    """
    room = table.rows * table.columns
    placed: dict[int, PlugCavity] = {}
    left: list[PlugCavity] = []
    for one in cavities:
        place = _place(one.cavity, table)
        if place is None or place in placed or place >= room:
            left.append(one)
        else:
            placed[place] = one
    free = (place for place in range(room) if place not in placed)
    for one, place in zip(left, list(free), strict=False):
        placed[place] = one
    return placed


def _place(name: str, table: PlugTable) -> int | None:
    if name.isascii() and name.isdigit() and len(name) <= 3 and int(name):
        return int(name) - 1
    found = re.fullmatch(r"([A-Za-z])(\d{1,2})", name)
    if found is None:
        return None
    row, column = ord(found[1].upper()) - ord("A"), int(found[2]) - 1
    if row < table.rows and 0 <= column < table.columns:
        return row * table.columns + column
    return None


def face(
    table: PlugTable, cavities: Sequence[PlugCavity], chosen: Iterable[str] = ()
) -> SafeString:
    """The plug's face as SVG, the cavities named in `chosen` marked."""
    placed = places(table, cavities)
    marked = set(chosen)
    width = 2 * EDGE + table.columns * (CELL + GAP) - GAP
    height = 2 * EDGE + LATCH + table.rows * (CELL + GAP) - GAP
    cells = format_html_join(
        "",
        "{}",
        (
            (_cell(placed.get(place), *_corner(place, table), marked),)
            for place in range(table.rows * table.columns)
        ),
    )
    said = {
        "plug": table.name,
        "seen": inner(told(SeenFrom(table.seen_from).label)),
        "count": len(placed),
    }
    return format_html(
        '<svg class="plug-face" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {} {}" '
        'width="{}" height="{}" role="img" aria-label="{}">'
        '<path class="latch" d="M{} {}v-8h{}v8" fill="none" stroke="currentColor"/>'
        '<rect class="housing" x="1" y="{}" width="{}" height="{}" rx="8" fill="none" '
        'stroke="currentColor" stroke-width="2"/>{}</svg>',
        width, height, width, height,
        gettext("%(plug)s, %(seen)s: %(count)s pins known") % said,
        width // 2 - 18, LATCH - 1, 36,
        LATCH, width - 2, height - LATCH - 1, cells,
    )  # fmt: skip


def _corner(place: int, table: PlugTable) -> tuple[int, int]:
    row, column = divmod(place, table.columns)
    return EDGE + column * (CELL + GAP), LATCH + EDGE + row * (CELL + GAP)


def _cell(one: PlugCavity | None, x: int, y: int, marked: set[str]) -> SafeString:
    if one is None:
        return format_html(
            '<rect class="empty" x="{}" y="{}" width="{}" height="{}" rx="4" fill="none" '
            'stroke="currentColor" opacity=".35"/>',
            x, y, CELL, CELL,
        )  # fmt: skip
    colour = SWATCHES.get(one.base)
    wire = mark_safe("")
    if colour:
        wire = format_html(
            '<rect x="{}" y="{}" width="{}" height="8" rx="2" fill="{}" stroke="#555"/>{}',
            x + 4, y + CELL - 12, CELL - 8, colour, _stripe(one, x, y),
        )  # fmt: skip
    said = (
        told(describe(one.base, one.stripe) or "colour not known"),
        function_said(one.function) or gettext("function not known"),
        inner(told(one.get_proof_display())),
    )
    return format_html(
        '<g class="cavity{}"><title>{}</title>'
        '<rect x="{}" y="{}" width="{}" height="{}" rx="4" fill="none" stroke="currentColor" '
        'stroke-width="{}"{}/><text x="{}" y="{}" font-size="13" text-anchor="middle" '
        'fill="currentColor">{}</text>{}</g>',
        " chosen" if one.cavity in marked else "",
        f"{one.cavity}: {', '.join(said)}",
        x, y, CELL, CELL,
        "3" if one.cavity in marked else "1.5",
        "" if one.proof == Proof.PROVED else mark_safe(' stroke-dasharray="4 3"'),
        x + CELL // 2, y + 17, one.cavity[:4], wire,
    )  # fmt: skip


def _stripe(one: PlugCavity, x: int, y: int) -> SafeString:
    second = SWATCHES.get("YE" if one.base == "GNYE" else one.stripe)
    if second is None:
        return mark_safe("")
    return format_html(
        '<rect x="{}" y="{}" width="{}" height="2.6" fill="{}"/>',
        x + 5, y + CELL - 9.3, CELL - 10, second,
    )  # fmt: skip


class Pair(NamedTuple):
    """Plus and minus of one function."""

    function: str
    plus: PlugCavity
    minus: PlugCavity

    @property
    def proved(self) -> bool:
        """Both were proved in a car."""
        return self.plus.proof == self.minus.proof == Proof.PROVED


def pairs(cavities: Iterable[PlugCavity]) -> list[Pair]:
    """Cavities whose functions are one name with a plus and a minus behind it."""
    named: dict[str, dict[str, PlugCavity]] = {}
    titles: dict[str, str] = {}
    for one in cavities:
        if found := _SIGN.search(one.function):
            title = one.function[: found.start()].strip()
            sign = "plus" if found[1] else "minus"
            named.setdefault(title.lower(), {}).setdefault(sign, one)
            titles.setdefault(title.lower(), title)
    return [
        Pair(titles[key], both["plus"], both["minus"])
        for key, both in named.items()
        if len(both) == 2
    ]


def wire_of(table: PlugTable, plus: PlugCavity, minus: PlugCavity) -> Mapping[str, str]:
    """The cells of a channel's wire that a pair of cavities fills."""
    return {
        "connector": table.name,
        "positive_cavity": plus.cavity,
        "positive_base": plus.base,
        "positive_stripe": plus.stripe,
        "negative_cavity": minus.cavity,
        "negative_base": minus.base,
        "negative_stripe": minus.stripe,
    }
