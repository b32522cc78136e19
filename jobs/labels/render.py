"""Labels as PDF, to the millimetre, on the shop's label sheets."""

from collections.abc import Sequence
from functools import cache
from html import escape
from typing import Final

import segno
import weasyprint
from weasyprint.text.fonts import FontConfiguration
from weasyprint.urls import URLFetcher

from jobs.labels.content import Label
from jobs.labels.layout import FONTS, LINE_HEIGHT, DoesNotFit, Placed, fit
from jobs.plan.power import colours
from shop.models import LabelSheet

FLAG: Final = "flag"
SLEEVE: Final = "sleeve"
STYLES: Final[dict[str, str]] = {
    FLAG: "Flags: folded round the wire, the same on both halves",
    SLEEVE: "Sleeves and plain labels: once on each",
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
"""


@cache
def _fonts() -> tuple[FontConfiguration, weasyprint.CSS]:
    config = FontConfiguration()
    faces = "".join(
        f"@font-face{{font-family:Label;font-weight:{weight};"
        f'src:url("{(FONTS / f"OpenSans-{name}.ttf").as_uri()}")}}'
        for name, weight in (("Regular", 400), ("Bold", 700))
    )
    return config, weasyprint.CSS(string=faces, font_config=config)


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
    pages: dict[int, list[str]] = {}
    box = f"width:{sheet.label_width_mm:g}mm;height:{sheet.label_height_mm:g}mm"
    for index, label in enumerate(labels, start - 1):
        place = sheet.place(index)
        at = f"left:{place.x_mm:.3f}mm;top:{place.y_mm:.3f}mm;{box}"
        outline = f'<div class="outline" style="left:0;top:0;{box}"></div>' if outlines else ""
        inside = _inside(label, sheet, style)
        pages.setdefault(place.page, []).append(f'<div style="{at}">{outline}{inside}</div>')
    page = (sheet.page_width_mm, sheet.page_height_mm)
    html = (
        f'<html lang="en"><head><title>{escape(title)}</title>'
        f"<style>{_CSS % (*page, *page, LINE_HEIGHT)}</style></head><body>"
        + "".join(f"<section>{''.join(parts)}</section>" for parts in pages.values())
        + "</body></html>"
    )
    config, faces = _fonts()
    rendered = weasyprint.HTML(string=html, url_fetcher=URLFetcher(allowed_protocols=("data",)))
    return bytes(rendered.write_pdf(stylesheets=[faces], font_config=config))


def _inside(label: Label, sheet: LabelSheet, style: str) -> str:
    wide, high = sheet.label_width_mm, sheet.label_height_mm
    if label.qr:
        return _tag(label, wide, high)
    if label.kind in {"wire", "cable"} and style == FLAG:
        half = (wide - FOLD_MM) / 2
        fold = (
            f'<div style="left:{wide / 2:.3f}mm;top:0;height:1mm;border-left:0.2mm solid #888">'
            f'</div><div style="left:{wide / 2:.3f}mm;top:{high - 1:.3f}mm;height:1mm;'
            'border-left:0.2mm solid #888"></div>'
        )
        return _text(label, 0, half, high) + fold + _text(label, wide - half, half, high)
    return _text(label, 0, wide, high)


def _text(label: Label, x_mm: float, wide_mm: float, high_mm: float) -> str:
    """Swatch and lines in a box of the label's full height."""
    left = x_mm + PAD_MM
    swatch = ""
    if label.base:
        swatch = _swatch(label, left, high_mm)
        left += SWATCH_MM + 1
    free = x_mm + wide_mm - PAD_MM - left
    return swatch + _lines(fit(label.lines, free, high_mm - 2 * PAD_MM), left, PAD_MM)


def _lines(placed: list[Placed], left_mm: float, top_mm: float) -> str:
    return "".join(
        f'<p style="left:{left_mm:.3f}mm;top:{top_mm + one.y_mm:.3f}mm;'
        f'font-size:{one.size_pt:.2f}pt;font-weight:{700 if one.bold else 400}">'
        f"{escape(one.text)}</p>"
        for one in placed
    )


def _swatch(label: Label, left_mm: float, high_mm: float) -> str:
    """The wire's colours as a bar; its codes stand beside it as text."""
    tall = high_mm - 2 * PAD_MM
    base = colours.SWATCHES.get(label.base, "#fff")
    stripe = colours.SWATCHES.get("YE" if label.base == "GNYE" else label.stripe, "")
    band = f'<rect x="0.83" y="0" width="0.84" height="{tall:g}" fill="{stripe}"/>'
    return (
        f'<svg style="left:{left_mm:.3f}mm;top:{PAD_MM:g}mm" width="{SWATCH_MM:g}mm" '
        f'height="{tall:g}mm" viewBox="0 0 {SWATCH_MM:g} {tall:g}">'
        f'<rect width="{SWATCH_MM:g}" height="{tall:g}" fill="{base}"/>{band if stripe else ""}'
        f'<rect x="0.05" y="0.05" width="{SWATCH_MM - 0.1:g}" height="{tall - 0.1:g}" '
        'fill="none" stroke="#000" stroke-width="0.1"/></svg>'
    )


def _tag(label: Label, wide_mm: float, high_mm: float) -> str:
    """The code at the left, the lines beside it."""
    side = min(high_mm - PAD_MM, wide_mm * QR_SHARE)
    if side < SMALLEST_QR_MM:
        raise DoesNotFit
    code = segno.make(label.qr, error="m", micro=False)
    modules = code.symbol_size(border=2)[0]
    svg = code.svg_inline(border=2, omitsize=True, svgclass=None, lineclass=None)
    svg = svg.replace(
        "<svg",
        f'<svg style="left:{PAD_MM / 2:g}mm;top:{(high_mm - side) / 2:.3f}mm" '
        f'width="{side:.3f}mm" height="{side:.3f}mm"',
        1,
    )
    assert f'viewBox="0 0 {modules} {modules}"' in svg
    left = side + PAD_MM
    free = wide_mm - PAD_MM - left
    return svg + _lines(fit(label.lines, free, high_mm - 2 * PAD_MM), left, PAD_MM)
