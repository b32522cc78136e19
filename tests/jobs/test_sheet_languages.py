"""The customer's page in the customer's language, from a record that is kept in English."""

import json
import re
from html import unescape

import pytest
from django.utils import translation

from jobs.sheet import document as sheet_document, render
from jobs.sheet.changes import changes
from shop.kept_words import WHOLE, told
from shop.languages import speaking
from tests import golden_pages
from tests.factories import make_job, make_shop

pytestmark = pytest.mark.django_db

RECEIPT = {
    "name": "Tilman Brandreth",
    "image": "",
    "at": "2026-11-25T16:00:00+00:00",
    "handed_over_by": "Odile Marchbank",
}


TYPED = {"before", "after"}
"""Words that somebody typed as well."""

AS_SET = (
    "Polarity is summed as it is set: where it makes up for a reversed loom, the sides really add "
    "up as without it."
)

SAME = {"Balance", "Fader", "PDF", "https"}
"""Words of the page that are the same in another language."""


def _page(language: str | None) -> str:
    document = golden_pages.record()
    document["shop"]["verify_address"] = "https://heronsway.example/verify/"
    if language:
        document["language"] = language
    return render.customer_html(document, RECEIPT)


def _words(page: str) -> str:
    return unescape(re.sub(r"<[^>]*>", " ", page))


def _known() -> str:
    """Every text of the record that a person typed: it stands as it is in any language."""
    return json.dumps(golden_pages.record(), ensure_ascii=False).replace("\\n", " ")


@pytest.mark.parametrize(
    ("language", "said"),
    [
        ("de", ("Ihr Einbauprotokoll", "12,62\u00a0V", "25.11.2028", "Batterie in Ruhe", "Vorher")),
        ("es", ("Su hoja de instalación", "12,62\u00a0V", "25 nov 2028", "Batería en reposo")),
    ],
)
def test_the_page_speaks_the_customers_language(language: str, said: tuple[str, ...]) -> None:
    page = _page(language)
    assert f'<html lang="{language}">' in page
    words = _words(page)
    assert [one for one in said if one not in words] == []
    english = set(re.findall(r"[a-zA-Z’]{3,}", _words(_page(None))))
    known = set(re.findall(r"[a-zA-Z’]{3,}", _known()))
    left = english & set(re.findall(r"[a-zA-Z’]{3,}", words)) - known - SAME
    assert left == set()


def _papers(language: str) -> str:
    """The words of the shop's own two papers."""
    document = {**golden_pages.record(), "shop_language": language}
    return _words(render.sheet_html(document, RECEIPT) + render.wiring_html(document))


@pytest.mark.paper
@pytest.mark.once
@pytest.mark.parametrize(
    ("language", "inverted", "normal"),
    [("en", "inverted", "normal"), ("de", "invertiert", "normal"), ("es", "invertida", "normal")],
)
def test_an_inverted_channel_is_inverted_in_every_language(
    language: str, inverted: str, normal: str
) -> None:
    document = {**golden_pages.record(), "shop_language": language}
    channels = [one for one in document["plan"]["channels"] if one["id"] in {"A1.3", "A1.4"}]
    channels[0]["setting"]["inverted"] = True
    page = render.sheet_html(document)
    begins = page.index('id="settings"')
    rows = _words(page[begins : page.index("</tbody>", begins)])
    assert [rows.split().count(one) for one in (inverted, normal)] == [1, 0]
    with speaking(language):
        said = str(translation.gettext(AS_SET))
    assert said in page
    channels[0]["setting"]["inverted"] = False
    assert said not in render.sheet_html(document)


@pytest.mark.parametrize(
    ("language", "head", "tail"),
    [
        ("de", "Um 40 Hz fehlt etwas. Beheben Sie zuerst das: Bei Front", "zurücknehmen."),
        ("es", "Falta señal hacia 40 Hz. Arregle antes esto: Front", "el retardo."),
    ],
)
def test_a_sentence_within_others_is_told_for_itself(language: str, head: str, tail: str) -> None:
    where = "Front west and Front east"
    delayed = f"{where} look as if one is delayed by 0.42 ms: do not sum them, or undo the delay"
    for said in (". Missing around 40 Hz.", "; missing around 40 Hz."):
        with speaking(language):
            words = told(
                f"Left side: take {where} and sum them{said} First mend this: {delayed} first."
            )
        assert head in words
        assert words.endswith(tail)


@pytest.mark.parametrize(
    ("language", "said"),
    [
        ("de", ("Einbauprotokoll", "Die ganze Anlage")),
        ("es", ("hoja de instalación", "Toda la instalación")),
    ],
)
def test_the_shops_papers_speak_its_language(language: str, said: tuple[str, ...]) -> None:
    """No word of ours is left in English: what stands there is the same word or was typed."""
    words = _papers(language)
    assert [one for one in said if one not in words] == []
    ours = {"the", "and", "with", "from", "which", "of", "before", "after", "feed", "speaker"}
    lines = {line.strip() for line in re.split(r"\s{2,}|[;.:]", words)}
    known = _known()
    left = {
        line
        for line in lines
        if ours & set(re.findall(r"[a-z]+", line.lower())) and line not in known
    }
    assert left == set()


@pytest.mark.once
@pytest.mark.parametrize("language", ["de", "es"])
def test_what_earlier_versions_said_is_told_too(language: str) -> None:
    """The record keeps a sentence that the sums compose otherwise today."""
    covers = golden_pages.record()["sound"]["capture"]["covers"]
    with translation.override(language):
        for one in covers:
            said = told(one)
            assert "; missing around" in one
            assert not {"side", "take", "missing", "First"} & set(re.findall(r"\w+", said)), said
            typed = one.replace("take", "we took")
            assert told(typed) == typed
        battery = told("12.51 V + 0.0013 x (27 - 20) V, flooded")
        assert "flooded" not in battery
        assert "12,51" in battery


def test_a_sheet_from_before_there_were_languages_is_in_english_whoever_asks() -> None:
    english = _page(None)
    with translation.override("de"):
        assert _page(None) == english
    assert _page("en-gb") == english
    assert _page("xx") == english


@pytest.mark.paper
@pytest.mark.once
@pytest.mark.parametrize("paper", ["customer", "sheet", "wiring"])
def test_every_message_of_a_paper_is_translated(
    monkeypatch: pytest.MonkeyPatch, paper: str
) -> None:
    """In a language in which each text comes back marked, no word stands outside the marks."""
    page = _page_marked(monkeypatch, paper)
    outside = re.sub(r"⟦[^⟧]*⟧|\b[0-9a-f]{64}\b", "  ", page)
    words, known = (set(re.findall(r"[^\W\d_]{3,}", one)) for one in (outside, _known()))
    strange = {one for one in words - known - SAME if one.lower() not in known}
    assert strange - {"Nov", "Dec", "heronsway", "example", "Loombook", "dBFS"} == set()
    pieces = {one.strip(" .,“”\u00a0") for one in re.split(r"\s{2,}|[;:()·]|[.,] ", outside)}
    # What the record keeps in English is ours as well, not only what has no place in it.
    assert {one.lower() for one in pieces} & {one.lower() for one in WHOLE} - TYPED == set()


def marked(text: str) -> str:
    """A text between marks, but for the names in it, which nobody translates."""
    return re.sub(r"%\(\w+\)[sd]", lambda name: f"⟧{name[0]}⟦", f"⟦{text}⟧") if text else ""


def _page_marked(monkeypatch: pytest.MonkeyPatch, paper: str) -> str:
    def several(one: str, many: str, count: int) -> str:
        return marked(one if count == 1 else many)

    monkeypatch.setattr(translation._trans, "gettext", marked, raising=False)
    monkeypatch.setattr(translation._trans, "ngettext", several, raising=False)
    for module in ("shop.kept_words", "jobs.plan.spoken"):
        monkeypatch.setattr(f"{module}.in_english", lambda: False)
    if paper == "customer":
        return _words(_page(None))
    written = {"sheet": render.sheet_html, "wiring": render.wiring_html}[paper]
    return _words(written(golden_pages.record()))


def test_the_record_is_kept_in_english_whoever_signs_and_for_whomever() -> None:
    shop = make_shop()
    job = make_job()
    english = sheet_document.draft(sheet_document.load(pk=job.pk))
    assert english["language"] == "en-gb"
    with speaking("de"):
        assert sheet_document.draft(sheet_document.load(pk=job.pk)) == english
    shop.language = "es"
    shop.save()
    job.customer.language = "de"
    job.customer.save()
    german = sheet_document.draft(sheet_document.load(pk=job.pk))
    assert german == {**english, "language": "de", "shop_language": "es"}
    assert changes(english, german) == []


def test_the_terms_stand_in_the_customers_language_where_the_shop_has_them() -> None:
    """Three customers of one shop; who reads what it has no terms in gets its own."""
    make_shop(sheet_terms="Two years.", sheet_terms_de="Zwei Jahre.", sheet_terms_en="")
    terms = {}
    for language in ("de", "es", ""):
        job = make_job()
        job.customer.language = language
        job.customer.save()
        document = sheet_document.draft(sheet_document.load(pk=job.pk))
        terms[language] = document["shop"]["terms"]
    assert terms == {"de": "Zwei Jahre.", "es": "Two years.", "": "Two years."}
