"""HTML of our own to PDF; no file or address is ever fetched.

Loading the library takes a second, so whoever draws papers reaches this through `shop.lazy`.
"""

import atexit
import gc
import re
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import datetime
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Final
from xml.etree.ElementTree import Element, ParseError, XMLParser

from cssselect2 import ElementWrapper
from pydyf import Dictionary, Object, Stream
from weasyprint import CSS, HTML, Attachment
from weasyprint.text.fonts import FontConfiguration
from weasyprint.urls import URLFetcher

SVG: Final = "http://www.w3.org/2000/svg"
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


_OPEN_ENDED: Final = re.compile(r"<((?:br|col|hr|img|input|link|meta|wbr)\b[^<>]*?)/?>")
_NAMELESS: Final = re.compile(r"<svg\b(?![^<>]*\bxmlns=)")
_DOCTYPE: Final = re.compile(r"\s*<!doctype html>", re.IGNORECASE)
_ENTITIES: Final = '<!DOCTYPE html [<!ENTITY nbsp "&#160;">]>'


def tree(html: str) -> Element | None:
    """The HTML read as XML, which takes a tenth of the time; None where it is none.

    Nothing that HTML would add is added, so that every table has to name its parts.
    """
    parser = XMLParser()
    html = _OPEN_ENDED.sub(r"<\1/>", _DOCTYPE.sub("", html, count=1))
    try:
        parser.feed(_ENTITIES + _NAMELESS.sub(f'<svg xmlns="{SVG}"', html))
        read: Element = parser.close()
    except ParseError:
        return None
    return read


@cache
def _first_style() -> CSS:
    """The library's own style without footnotes and notes, of which every element would get four:
    no paper has any. Markers are of lists alone."""
    css = (files("weasyprint") / "css" / "html5_ua.css").read_text(encoding="utf-8")
    css = re.sub(r"(?m)^::(?:foot)?note-\S+ \{[^{}]*\}$", "", css)
    return CSS(string=re.sub(r"(?m)^::marker", "li::marker", css))


class _Page(HTML):  # type: ignore[misc]  # the library says no types
    """A page that may show what it holds itself."""

    def __init__(self, html: str, read: Element | None = None) -> None:
        fetcher = URLFetcher(allowed_protocols=("data",))
        if read is None:
            super().__init__(string=html, url_fetcher=fetcher)
            return
        self.base_url, self.url_fetcher, self.media_type = None, fetcher, "print"
        self.wrapper_element = ElementWrapper.from_html_root(read)
        self.etree_element = read

    def _ua_stylesheets(self, forms: bool = False) -> list[CSS]:
        return [_first_style()]


def page(html: str) -> HTML:
    """The HTML, which may show what it holds itself."""
    return _Page(html)


def page_of_xml(html: str) -> HTML:
    """The same of HTML that is XML as well but for what HTML leaves open, and quicker."""
    return _Page(html, tree(html))


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
            finisher=_finished,
            **more,
        )
    return bytes(made)


class _Written(Object):  # type: ignore[misc]  # the library says no types
    """An object of a PDF as it is written: a PDF asks twice, to hash it and to write it."""

    def __init__(self, one: Object) -> None:
        super().__init__()
        self.number, self.generation, self.free = one.number, one.generation, one.free
        self.data, self._loose = _packed(one), one.compressible

    data: bytes = b""

    @property
    def compressible(self) -> bool:
        return bool(self._loose)


PACKED: Final = 6
"""How hard a stream is packed: the hardest, 9, takes three times as long and saves a hundredth."""


def _packed(one: Object) -> bytes:
    if not (isinstance(one, Stream) and one.compress):
        return bytes(one.data)
    content = Stream(one.stream).data.partition(b"\nstream\n")[2].removesuffix(b"\nendstream")
    packed = zlib.compress(content, PACKED)
    return bytes(Stream([packed], {**one.extra, "Filter": "/FlateDecode"}).data)


def _finished(document: Any, made: Any) -> None:
    """What is said and packed of a PDF before it is written."""
    _heads_told(document, made)
    made.objects[:] = [one if one.free == "f" else _Written(one) for one in made.objects]


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
