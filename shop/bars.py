"""Bars beside each other as SVG, made on the server; the figures stand in a table beneath.

Colours are classes (`static/css/pieces/bars.css`), so that light, dark and print have their own.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape
from typing import Final

from django.utils.safestring import SafeString, mark_safe

WIDTH: Final = 720.0
HEIGHT: Final = 220.0
LEFT, RIGHT, TOP, BOTTOM = 44.0, 8.0, 12.0, 34.0
MOST_LABELS: Final = 13


@dataclass(frozen=True)
class Bar:
    """The values of one place, one for each series; `url` opens what they count."""

    label: str
    values: tuple[float, ...]
    said: str
    url: str = ""


def steps_to(most: float) -> tuple[float, int]:
    """The distance of the lines of a scale from 0 to at least `most`, 1, 2 or 5 times a power of
    ten, and how many there are; three to six."""
    if most <= 0:
        return 1.0, 1
    for exponent in range(math.floor(math.log10(most)) - 1, math.floor(math.log10(most)) + 2):
        for factor in (1, 2, 5):
            step = factor * 10.0**exponent
            if (count := math.ceil(most / step - 1e-9)) <= 5:
                return step, count
    raise AssertionError("a step of ten times the value is always enough")


def bars(places: Sequence[Bar], *, title: str, stacked: bool = False, whole: bool = False) -> str:
    """One group of bars a place. `stacked` sets the values on one another, else they stand side
    by side; `whole` keeps the scale to whole numbers."""
    tall: Callable[[Sequence[float]], float] = sum if stacked else max
    most = max((tall(place.values) for place in places if place.values), default=0.0)
    step, count = steps_to(most)
    if whole and step < 1:
        step, count = 1.0, max(math.ceil(most), 1)
    top = step * count
    inner_width, inner_height = WIDTH - LEFT - RIGHT, HEIGHT - TOP - BOTTOM
    each = inner_width / max(len(places), 1)

    def y(value: float) -> float:
        return TOP + inner_height * (1 - value / top)

    out = [
        f'<svg class="bars" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {HEIGHT:g}" '
        f'role="img" aria-label="{escape(title)}">'
    ]
    for line in range(count + 1):
        at = y(line * step)
        out.append(
            f'<line class="bars-rule" x1="{LEFT:g}" x2="{WIDTH - RIGHT:g}" y1="{at:.1f}" '
            f'y2="{at:.1f}"/><text x="{LEFT - 6:g}" y="{at + 4:.1f}" text-anchor="end">'
            f"{line * step:g}</text>"
        )
    every = math.ceil(len(places) / MOST_LABELS) or 1
    for number, place in enumerate(places):
        left = LEFT + number * each
        drawn = _stack(place, left, each, y) if stacked else _beside(place, left, each, y)
        if place.url:
            drawn = f'<a href="{escape(place.url)}" tabindex="-1">{drawn}</a>'
        out.append(f"<g><title>{escape(place.said)}</title>{drawn}</g>")
        if number % every == 0:
            out.append(
                f'<text x="{left + each / 2:.1f}" y="{HEIGHT - BOTTOM + 18:g}" '
                f'text-anchor="middle">{escape(place.label)}</text>'
            )
    out.append("</svg>")
    return _safe("".join(out))


def _safe(svg: str) -> SafeString:
    # Every text in it went through escape().
    return mark_safe(svg)


def _rect(kind: int, x: float, width: float, top: float, bottom: float) -> str:
    return (
        f'<rect class="bars-{kind}" x="{x:.1f}" y="{top:.1f}" width="{width:.1f}" '
        f'height="{max(bottom - top, 0):.1f}"/>'
    )


def _stack(place: Bar, left: float, each: float, y: Callable[[float], float]) -> str:
    out, so_far = [], 0.0
    for kind, value in enumerate(place.values, 1):
        out.append(_rect(kind, left + each * 0.15, each * 0.7, y(so_far + value), y(so_far)))
        so_far += value
    return "".join(out)


def _beside(place: Bar, left: float, each: float, y: Callable[[float], float]) -> str:
    width = each * 0.76 / max(len(place.values), 1)
    return "".join(
        _rect(kind, left + each * 0.12 + (kind - 1) * width, width * 0.92, y(value), y(0))
        for kind, value in enumerate(place.values, 1)
    )
