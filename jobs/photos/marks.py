"""Circles and arrows drawn on a photo: kept as data, shown over it, burned in for paper.

Places are fractions of the picture's width and height. A circle has its middle (x, y) and its
radius r as a fraction of the width; an arrow goes from (x1, y1) to its head at (x2, y2). The
same shapes are drawn on the screen by static/js/photo_marks.js.
"""

import io
import math
from typing import Any, Final

from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString
from django.utils.translation import gettext
from PIL import Image, ImageDraw

from jobs.errors import Refused
from jobs.models import Photo
from jobs.photos.files import jpeg

MOST_MARKS: Final = 40
PLACES: Final[dict[str, tuple[str, ...]]] = {
    "circle": ("x", "y", "r"),
    "arrow": ("x1", "y1", "x2", "y2"),
}
LINE: Final = 0.008
"""Width of a line as a fraction of the picture's longer side."""
HALO: Final = 2.0
"""Width of the light rim around a line, in line widths."""
HEAD: Final = 5.0
"""Length of an arrow's head, in line widths."""
INK: Final = "#e0301e"
RIM: Final = "#ffffff"

Mark = dict[str, Any]


def clean_marks(given: Any) -> list[Mark]:
    """The marks as they are kept. Raises Refused when they are none."""
    if not isinstance(given, list) or len(given) > MOST_MARKS:
        raise Refused(
            gettext("At most %(most)s marks fit on a photo: remove some, then save.")
            % {"most": MOST_MARKS}
        )
    return [_clean(one) for one in given]


def _clean(given: Any) -> Mark:
    names = PLACES.get(str(given.get("kind"))) if isinstance(given, dict) else None
    if names is None:
        raise Refused(gettext("A mark on the photo could not be read: draw it again."))
    mark: Mark = {"kind": given["kind"]}
    for name in names:
        value = given.get(name)
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= 1:
            raise Refused(gettext("A mark on the photo could not be read: draw it again."))
        mark[name] = round(float(value), 4)
    return mark


def _arrow_head(mark: Mark, width: int, height: int, size: float) -> list[tuple[float, float]]:
    """The three corners of an arrow's head, its point first."""
    x, y = mark["x2"] * width, mark["y2"] * height
    angle = math.atan2(y - mark["y1"] * height, x - mark["x1"] * width)
    return [
        (x, y),
        *(
            (x - size * math.cos(angle + turn), y - size * math.sin(angle + turn))
            for turn in (-0.45, 0.45)
        ),
    ]


def marks_svg(photo: Photo) -> SafeString:
    """The marks as an SVG that lies over the photo; empty without marks."""
    if not photo.annotations:
        return SafeString("")
    width, height = photo.width, photo.height
    line = LINE * max(width, height)
    shapes = format_html_join(
        "", "{}", ((_shape(mark, width, height, line),) for mark in photo.annotations)
    )
    return format_html(
        '<svg class="photo-marks" viewBox="0 0 {} {}" preserveAspectRatio="xMidYMid slice" '
        'aria-hidden="true"><g class="rim" stroke-width="{}">{}</g>'
        '<g class="ink" stroke-width="{}">{}</g></svg>',
        width,
        height,
        f"{line * (1 + HALO):.1f}",
        shapes,
        f"{line:.1f}",
        shapes,
    )


def _shape(mark: Mark, width: int, height: int, line: float) -> SafeString:
    """SVG of one mark."""
    if mark["kind"] == "circle":
        circle = (mark["x"] * width, mark["y"] * height, mark["r"] * width)
        shown = (f"{length:.1f}" for length in circle)
        return format_html('<circle cx="{}" cy="{}" r="{}"/>', *shown)
    head = _arrow_head(mark, width, height, HEAD * line)
    corners = "L".join(f"{x:.1f} {y:.1f}" for x, y in head)
    (_, left, right) = head
    tail = f"{mark['x1'] * width:.1f} {mark['y1'] * height:.1f}"
    neck = f"{(left[0] + right[0]) / 2:.1f} {(left[1] + right[1]) / 2:.1f}"
    return format_html('<path d="M{}L{}"/><path class="head" d="M{}Z"/>', tail, neck, corners)


def with_marks(data: bytes, marks: list[Mark], longest: int | None = None) -> bytes:
    """A JPEG with marks burned in; `longest` bounds its longer side, and what is decoded."""
    kept = Image.open(io.BytesIO(data))
    if longest:
        kept.draft("RGB", (longest, longest))
    image = kept.convert("RGB")
    if longest:
        image.thumbnail((longest, longest), Image.Resampling.LANCZOS)
    draw = ImageDraw.Draw(image)
    line = LINE * max(image.size)
    for colour, wide in ((RIM, line * (1 + HALO)), (INK, line)):
        for mark in marks:
            _burn(draw, mark, image.width, image.height, line, colour, round(wide))
    return jpeg(image, 78 if longest else 88)


def _burn(
    draw: ImageDraw.ImageDraw,
    mark: Mark,
    width: int,
    height: int,
    line: float,
    colour: str,
    wide: int,
) -> None:
    if mark["kind"] == "circle":
        middle = (mark["x"] * width, mark["y"] * height)
        draw.circle(middle, mark["r"] * width + wide / 2, outline=colour, width=wide)
        return
    head = _arrow_head(mark, width, height, HEAD * line)
    tail = (mark["x1"] * width, mark["y1"] * height)
    neck = ((head[1][0] + head[2][0]) / 2, (head[1][1] + head[2][1]) / 2)
    draw.line([tail, neck], fill=colour, width=wide)
    draw.polygon(head, fill=colour, outline=colour, width=max(1, round(wide - line)))
