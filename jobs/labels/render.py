"""Labels as PDF, to the millimetre, on the shop's label sheets."""

from collections.abc import Sequence
from functools import cache
from typing import Any, Final

import segno
from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString
from django.utils.translation import gettext_noop as kept

from jobs.labels.content import Label
from jobs.labels.layout import LINE_HEIGHT, DoesNotFit, Placed, fit
from jobs.plan.power import colours
from shop.lazy import Lazy
from shop.models import LabelSheet

renderer = Lazy("jobs.renderer")

FLAG: Final = "flag"
SLEEVE: Final = "sleeve"
STYLES: Final[dict[str, str]] = {
    FLAG: kept("Flags: folded round the wire, the same on both halves"),
    SLEEVE: kept("Sleeves and plain labels: once on each"),
}
PAD_MM: Final = 1.5
FOLD_MM: Final = 6.0
"""Middle of a flag that lies round the wire: enough for one of 3.8 mm."""
SWATCH_MM: Final = 2.5
SMALLEST_QR_MM: Final = 10.0
QR_SHARE: Final = 0.5

_CSS: Final = """
@page { size: %gmm %gmm; margin: 0 }
html { font-family: Label; color: #000 }
body { margin: 0 }
section { position: relative; width: %gmm; height: %gmm; overflow: hidden; break-after: page }
section:last-child { break-after: auto }
div, p, svg { position: absolute; margin: 0 }
p { white-space: nowrap; line-height: %g }
.outline { box-sizing: border-box; border: 0.2mm solid #000 }
.fold { width: 0; height: 1mm; border-left: 0.2mm solid #888 }
.code svg { width: 100%%; height: 100%% }
"""


@cache
def _faces() -> Any:
    return renderer.style(renderer.faces("Label", "Regular", "Bold"))


def too_large(labels: Sequence[Label], sheet: LabelSheet, style: str) -> list[Label]:
    """The labels whose text or code does not fit the sheet's labels."""
    bad = []
    for label in labels:
        try:
            _inside(label, sheet, style)
        except DoesNotFit:
            bad.append(label)
    return bad


def labels_pdf(
    labels: Sequence[Label],
    sheet: LabelSheet,
    *,
    style: str = FLAG,
    start: int = 1,
    outlines: bool = False,
    title: str = "Labels",
) -> bytes:
    """The labels in order from position `start` (1 is the first). Raises DoesNotFit."""
    pages: dict[int, list[SafeString]] = {}
    width_mm, height_mm = sheet.label_width_mm, sheet.label_height_mm
    for index, label in enumerate(labels, start - 1):
        place = sheet.place(index)
        box = _box(place.x_mm, place.y_mm, width_mm, height_mm)
        outline = _div(_box(0, 0, width_mm, height_mm), css="outline") if outlines else ""
        inside = format_html("{}{}", outline, _inside(label, sheet, style))
        pages.setdefault(place.page, []).append(_div(box, inside))
    page = (sheet.page_width_mm, sheet.page_height_mm)
    html = format_html(
        '<html lang="en"><head><title>{}</title><style>{}</style></head><body>{}</body></html>',
        title,
        SafeString(_CSS % (*page, *page, LINE_HEIGHT)),
        format_html_join("", "<section>{}</section>", ((_joined(one),) for one in pages.values())),
    )
    made: bytes = renderer.pdf(renderer.page(html), [_faces()])
    return made


def _box(left_mm: float, top_mm: float, width_mm: float = 0, height_mm: float = 0) -> str:
    """The style of what lies there; without a size it takes its own."""
    lengths = {"left": left_mm, "top": top_mm, "width": width_mm, "height": height_mm}
    return ";".join(
        f"{name}:{length:.3f}mm"
        for name, length in lengths.items()
        if length or name in {"left", "top"}
    )


def _div(box: str, inside: str = "", css: str = "") -> SafeString:
    return format_html('<div class="{}" style="{}">{}</div>', css, box, inside)


def _joined(parts: Sequence[SafeString]) -> SafeString:
    return format_html_join("", "{}", ((part,) for part in parts))


def _inside(label: Label, sheet: LabelSheet, style: str) -> SafeString:
    wide, high = sheet.label_width_mm, sheet.label_height_mm
    if label.qr:
        return _tag(label, wide, high)
    if label.kind in {"wire", "cable"} and style == FLAG:
        half = (wide - FOLD_MM) / 2
        return _joined(
            (
                _text(label, 0, half, high),
                _div(_box(wide / 2, 0), css="fold"),
                _div(_box(wide / 2, high - 1), css="fold"),
                _text(label, wide - half, half, high),
            )
        )
    return _text(label, 0, wide, high)


def _text(label: Label, x_mm: float, wide_mm: float, high_mm: float) -> SafeString:
    """Swatch and lines in a box of the label's full height."""
    left = x_mm + PAD_MM
    swatch = SafeString("")
    if label.base:
        swatch = _swatch(label, left, high_mm)
        left += SWATCH_MM + 1
    free = x_mm + wide_mm - PAD_MM - left
    lines = _lines(fit(label.lines, free, high_mm - 2 * PAD_MM), left, PAD_MM)
    return format_html("{}{}", swatch, lines)


def _lines(placed: list[Placed], left_mm: float, top_mm: float) -> SafeString:
    return format_html_join(
        "",
        '<p style="{};font-size:{}pt;font-weight:{}">{}</p>',
        (
            (
                _box(left_mm, top_mm + one.y_mm),
                f"{one.size_pt:.2f}",
                700 if one.bold else 400,
                one.text,
            )
            for one in placed
        ),
    )


def _swatch(label: Label, left_mm: float, high_mm: float) -> SafeString:
    """The wire's colours as a bar; its codes stand beside it as text."""
    tall = high_mm - 2 * PAD_MM
    stripe = colours.SWATCHES.get("YE" if label.base == "GNYE" else label.stripe, "")
    return format_html(
        '<svg style="{}" viewBox="0 0 {} {}"><rect width="{}" height="{}" fill="{}"/>{}'
        '<rect x="0.05" y="0.05" width="{}" height="{}" fill="none" stroke="#000" '
        'stroke-width="0.1"/></svg>',
        _box(left_mm, PAD_MM, SWATCH_MM, tall),
        SWATCH_MM,
        f"{tall:g}",
        SWATCH_MM,
        f"{tall:g}",
        colours.SWATCHES.get(label.base, "#fff"),
        format_html('<rect x="0.83" width="0.84" height="{}" fill="{}"/>', f"{tall:g}", stripe)
        if stripe
        else "",
        f"{SWATCH_MM - 0.1:g}",
        f"{tall - 0.1:g}",
    )


def _tag(label: Label, wide_mm: float, high_mm: float) -> SafeString:
    """The code at the left, the lines beside it."""
    side = min(high_mm - PAD_MM, wide_mm * QR_SHARE)
    if side < SMALLEST_QR_MM:
        raise DoesNotFit
    code = segno.make(label.qr, error="m", micro=False)
    svg = code.svg_inline(border=2, omitsize=True, svgclass=None, lineclass=None)
    box = _box(PAD_MM / 2, (high_mm - side) / 2, side, side)
    left = side + PAD_MM
    free = wide_mm - PAD_MM - left
    lines = _lines(fit(label.lines, free, high_mm - 2 * PAD_MM), left, PAD_MM)
    return format_html("{}{}", _div(box, SafeString(svg), css="code"), lines)
