"""HTML of our own to PDF; no file or address is ever fetched.

Loading the library takes a second, so whoever draws papers reaches this through `shop.lazy`.
"""

import atexit
import gc
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any, Final

from pydyf import Dictionary
from weasyprint import CSS, HTML, Attachment
from weasyprint.text.fonts import FontConfiguration
from weasyprint.urls import URLFetcher

FONTS: Final = Path(__file__).parent / "fonts"
FACES: Final = {
    "Regular": "font-weight:400",
    "Semibold": "font-weight:600",
    "Bold": "font-weight:700",
    "Italic": "font-weight:400;font-style:italic",
}


@cache
def _fonts() -> FontConfiguration:
    return FontConfiguration()


# Fonts are given back while the library is still there to do it.
atexit.register(_fonts.cache_clear)


def style(text: str) -> CSS:
    """A style sheet; the fonts it names can be used by every paper."""
    return CSS(string=text, font_config=_fonts())


def faces(family: str, *names: str) -> str:
    """The style that lends some of our fonts to a paper under a name of its own."""
    return "".join(
        f'@font-face{{font-family:"{family}";{FACES[name]};'
        f'src:url("{(FONTS / f"OpenSans-{name}.ttf").as_uri()}")}}'
        for name in names
    )


def page(html: str) -> HTML:
    """The HTML, which may show what it holds itself."""
    return HTML(string=html, url_fetcher=URLFetcher(allowed_protocols=("data",)))


def attachment(
    content: bytes, name: str, description: str, relationship: str, at: datetime | None
) -> Attachment:
    """A file that goes into a PDF."""
    return Attachment(
        string=content,
        name=name,
        description=description,
        relationship=relationship,
        created=at,
        modified=at,
    )


@contextmanager
def uncollected() -> Iterator[None]:
    """Nothing looks through a paper for what could be thrown away while it is being laid out: a
    tenth of the time goes into that, and the paper as a whole is thrown away after."""
    collects = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collects:
            gc.enable()


def pdf(whole: HTML, styles: Iterable[CSS], variant: str | None = None, **more: Any) -> bytes:
    """The HTML laid out in these styles."""
    with uncollected():
        made = whole.write_pdf(
            stylesheets=list(styles),
            font_config=_fonts(),
            pdf_variant=variant,
            finisher=_heads_told,
            **more,
        )
    return bytes(made)


def _heads_told(_: Any, made: Any) -> None:
    """Say of each cell of a table's head that it heads a column, of each other that it heads a row
    (ISO 14289-1:2014, 7.5)."""
    objects: dict[Any, Any] = {
        one.reference: one for one in made.objects if isinstance(one, Dictionary)
    }
    for one in objects.values():
        if one.get("S") == "/TH":
            group = objects.get(objects.get(one["P"], {}).get("P"), {})
            one["A"]["Scope"] = "/Column" if group.get("S") == "/THead" else "/Row"
