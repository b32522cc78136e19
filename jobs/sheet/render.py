"""Frozen document to HTML to PDF bytes.

The PDF is PDF/A-3a: archival, tagged for screen readers, fonts embedded as subsets, with the plan
and the whole document attached as JSON. No address is ever fetched: pictures are inside the HTML.
"""

import base64
import re
from collections.abc import Mapping
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any, Final
from xml.etree.ElementTree import Element

from django.contrib.staticfiles import finders
from django.template.loader import render_to_string
from django.utils.translation import gettext, gettext_noop as kept

from jobs import signing
from jobs.sheet.customer import customer_values
from jobs.sheet.document import canonical, sha256_of
from jobs.sheet.earlier import language_of, paper_of, shop_language_of
from jobs.sheet.photos import printed_pictures
from jobs.sheet.values import sheet_values
from shop.languages import speaking
from shop.lazy import Lazy
from shop.wording import TIGHT, page_words
from wiring.plan import dump, from_builtins

renderer = Lazy("jobs.renderer")
table_widths = Lazy("jobs.sheet.table_widths")
wiring_paper = Lazy("jobs.sheet.wiring.paper")

HERE: Final = Path(__file__).parent
SVG: Final = "{http://www.w3.org/2000/svg}"
VARIANT: Final = "pdf/a-3a"
PLAN_NAME: Final = "plan.json"
DOCUMENT_NAME: Final = "sheet.json"
CUSTOMER_TITLE: Final = kept("Your install sheet")
WIRING_TITLE: Final = kept("Wiring sheet")
FIXED: Final = {"parts", "function-lines", "beside"}
"""Tables whose columns have their widths by the style."""

SHARED_STYLE: Final = "css/sheets/body.css"

_SAID: Final = re.compile(r">[^<>]+<")
_BEFORE_UNIT: Final = re.compile(
    r"(?<=\d) (?=(?:[VAWshdm]|[mk]?Ω|[mk]?Hz|Ah|mA|dB|dBFS|ms|[cm]m|mm²|°C|%)(?![\w²]))"
)
"""Where a quantity within a sentence of the sums would be parted at the end of a line."""


@cache
def _stylesheets() -> tuple[Any, ...]:
    """The sheet's style, shared with the screen, and the page around it; read once a process."""
    shared = finders.find(SHARED_STYLE)
    assert isinstance(shared, str)
    texts = [
        renderer.faces("Sheet", *renderer.FACES),
        *(
            _with_values(Path(one).read_text(encoding="utf-8"))
            for one in (shared, HERE / "page.css")
        ),
    ]
    return tuple(renderer.style(text) for text in texts)


_ID: Final = re.compile(r"#([a-z][a-z-]*)(?=[^;{}]*\{)")
_TOKEN: Final = re.compile(r"var\((--[\w-]+)(?:,\s*([^()]+))?\)")


def _with_values(css: str) -> str:
    """The style with each token's value in its place: on paper a token has one for good, and to
    look it up for each of the cells takes a twentieth of the time of a paper. Ids as classes."""
    given = dict(re.findall(r"^\s*(--[\w-]+):\s*([^;]+);", css, re.MULTILINE))
    while _TOKEN.search(css):
        css = _TOKEN.sub(lambda found: given.get(found[1]) or found[2] or "unset", css)
    return _ID.sub(r".at-\1", css)


@cache
def _picture_style() -> Element:
    style = Element(f"{SVG}style")
    style.text = (HERE / "pictures.css").read_text(encoding="utf-8")
    return style


def sheet_html(document: Mapping[str, Any], receipt: Mapping[str, Any] | None = None) -> str:
    """The HTML the PDF is made of."""
    digest = "" if document["sheet"]["draft"] else sha256_of(dict(document))
    with speaking(shop_language_of(document)):
        values = sheet_values(document, receipt, _pictures(document))
        values |= {"digest": digest, "on_paper": True, "page_words": page_words()}
        return _written("pdf/sheet.html", document, values)


def _written(template: str, document: Mapping[str, Any], values: Mapping[str, Any]) -> str:
    html = render_to_string(template, {**values, "paper": paper_of(document)})
    return _SAID.sub(lambda found: _BEFORE_UNIT.sub(TIGHT, found[0]), html)


def customer_html(document: Mapping[str, Any], receipt: Mapping[str, Any] | None = None) -> str:
    """The HTML of the customer's page, in the language that the record names."""
    with speaking(language_of(document)):
        values = customer_values(document, receipt, _pictures(document))
        values |= {"title": gettext(CUSTOMER_TITLE), "page_words": page_words()}
        return _written("pdf/customer_sheet.html", document, values)


def wiring_html(document: Mapping[str, Any]) -> str:
    """The HTML of the wiring sheet."""
    with speaking(shop_language_of(document)):
        values = wiring_paper.wiring_values(document)
        values |= {"title": gettext(WIRING_TITLE), "page_words": page_words()}
        return _written("pdf/wiring_sheet.html", document, values)


def _pictures(document: Mapping[str, Any]) -> dict[int, str]:
    """The photos as addresses that hold them."""
    return {
        pk: f"data:image/jpeg;base64,{base64.b64encode(data).decode()}"
        for pk, data in printed_pictures(document).items()
    }


def attachments(document: Mapping[str, Any]) -> list[Any]:
    """The plan as `python -m wiring check` reads it, and the canonical document that is hashed."""
    at = document["sheet"].get("signed_at")
    moment = datetime.fromisoformat(at) if at else None
    return [
        renderer.attachment(content, name, description, relationship, moment)
        for name, description, relationship, content in (
            (PLAN_NAME, "The plan", "Source", dump(from_builtins(document["plan"]))),
            (DOCUMENT_NAME, "Everything on this sheet", "Data", canonical(dict(document))),
        )
    ]


def write_pdf(html: str, attached: list[Any]) -> bytes:
    """The renderer alone: HTML to bytes."""
    page = renderer.page_of_xml(html)
    _name_by_class(page.etree_element)
    for table in page.etree_element.iter("table"):
        if FIXED.isdisjoint(table.get("class", "").split()):
            table_widths.set_columns(table)
    # The page's style does not reach into a picture: each gets a style of its own.
    # Its alternative text is read from a title alone.
    for picture in list(page.etree_element.iter(f"{SVG}svg")):
        if (told := picture.get("aria-label")) and picture.find(f"{SVG}title") is None:
            title = Element(f"{SVG}title")
            title.text = told
            picture.insert(0, title)
        picture.insert(0, _picture_style())
    made: bytes = renderer.pdf(page, _stylesheets(), VARIANT, attachments=attached)
    return made


def _name_by_class(page: Element) -> None:
    """Turn each id into a class, as the style does: elements of one id each share no style with
    their like, and nothing within them does, which takes a tenth of the time of a paper."""
    for element in page.iter():
        if not element.tag.startswith(SVG) and (name := element.attrib.pop("id", "")):
            element.set("class", f"{element.get('class', '')} at-{name}".strip())


def pdf(document: Mapping[str, Any], receipt: Mapping[str, Any] | None = None) -> bytes:
    """The sheet as PDF without a digital signature: the preview of a draft."""
    return write_pdf(sheet_html(document, receipt), attachments(document))


def signed_pdf(document: Mapping[str, Any], receipt: Mapping[str, Any] | None = None) -> bytes:
    """The sheet as PDF, signed with the shop's key."""
    return _signed(pdf(document, receipt), document, receipt)


def customer_pdf(document: Mapping[str, Any], receipt: Mapping[str, Any] | None = None) -> bytes:
    """The customer's page as PDF, signed with the shop's key. The record is attached to it."""
    return _signed(
        write_pdf(customer_html(document, receipt), attachments(document)), document, receipt
    )


def wiring_draft(document: Mapping[str, Any]) -> bytes:
    """The wiring sheet as PDF without a digital signature, from a document not signed yet."""
    return write_pdf(wiring_html(document), attachments(document))


def wiring_pdf(document: Mapping[str, Any]) -> bytes:
    """The wiring sheet as PDF, signed with the shop's key. The record is attached to it."""
    return _signed(wiring_draft(document), document, None)


def _signed(made: bytes, document: Mapping[str, Any], receipt: Mapping[str, Any] | None) -> bytes:
    number = document["sheet"]["number"]
    reason = f"Install sheet {number}" + (f", received by {receipt['name']}" if receipt else "")
    return signing.sign(made, shop_name=document["shop"]["name"], reason=reason)
