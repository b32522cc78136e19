"""A paper is read and drawn quicker, and is the same paper."""

import io
from typing import Any
from xml.etree.ElementTree import Element

import pytest
from pypdf import PdfReader
from weasyprint import HTML

from jobs import renderer
from jobs.sheet import render
from tests import golden_pages

pytestmark = [pytest.mark.django_db, pytest.mark.paper, pytest.mark.once]

PAPERS = {
    "sheet": render.sheet_html,
    "customer": render.customer_html,
    "wiring": render.wiring_html,
}


def said(element: Element) -> list[Any]:
    """What a tree says, in order; how much space parts its words counts for nothing."""
    return [
        (
            one.tag,
            {name: value.split() for name, value in one.attrib.items() if "xmlns" not in name},
            (one.text or "").split(),
            (one.tail or "").split(),
        )
        for one in element.iter()
    ]


@pytest.mark.parametrize("name", PAPERS)
def test_xml_says_what_html_says(name: str) -> None:
    """Every table names its parts, and no paragraph holds what would end it."""
    document = {**golden_pages.record(), "shop_language": "de", "language": "de"}
    html = PAPERS[name](document)
    read = renderer.tree(html)
    assert read is not None
    assert said(read) == said(HTML(string=html).etree_element)


def pages(pdf: bytes) -> list[bytes]:
    found: Any = PdfReader(io.BytesIO(pdf)).pages
    return [page.get_contents().get_data() for page in found]


def test_a_page_is_the_same_in_the_library_s_own_style() -> None:
    html = render.customer_html(golden_pages.record())
    styles = render._stylesheets()
    slow = renderer.pdf(HTML(string=html), styles, render.VARIANT)
    assert pages(renderer.pdf(renderer.page(html), styles, render.VARIANT)) == pages(slow)
    assert pages(renderer.pdf(renderer.page_of_xml(html), styles, render.VARIANT)) == pages(slow)


@pytest.mark.parametrize("html", ["<p>one<br>two", "<p>one \x0b two</p>", "<p>&alpha;</p>"])
def test_what_is_no_xml_is_read_as_html(html: str) -> None:
    assert renderer.tree(html) is None
    assert len(pages(renderer.pdf(renderer.page_of_xml(html), []))) == 1


def test_what_html_leaves_open_is_closed() -> None:
    read = renderer.tree("<!doctype html>\n<p>A<br>b&nbsp;c &lt;d&gt; <svg><g/></svg></p>")
    assert read is not None
    assert [one.tag for one in read] == ["br", f"{{{renderer.SVG}}}svg"]
    assert read[1][0].tag == f"{{{renderer.SVG}}}g"
    assert "".join(read.itertext()) == "Ab\N{NO-BREAK SPACE}c <d> "
