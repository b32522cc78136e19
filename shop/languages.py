"""The languages of screens and papers: which there are, and which is whose.

English is written in the code and in what is kept: rows, events and signed documents hold English
words, whoever wrote them in whichever language. A text is turned into another language where it is
shown, and nowhere before. The translations stand in `shop/locale/`.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final, Protocol

from django.utils import translation
from django.utils.translation.trans_real import parse_accept_lang_header

from shop.http import Request

ENGLISH: Final = "en-gb"
NAMES: Final = {"en-gb": "English", "es": "Español", "de": "Deutsch"}
"""Each by its own name, which is never translated."""


class Speaks(Protocol):
    """Whoever or whatever has a language of its own, empty where none was chosen."""

    language: str


def first_of(*speakers: Speaks | None) -> str:
    """The first language that was chosen, English where none was."""
    chosen = (one.language for one in speakers if one is not None)
    return next((code for code in chosen if code in NAMES), ENGLISH)


def asked_by(header: str) -> str:
    """The first of our languages in a browser's Accept-Language; nothing where there is none."""
    for asked, _ in parse_accept_lang_header(header.lower()):
        for code in NAMES:
            if asked.partition("-")[0] == code.partition("-")[0]:
                return code
    return ""


def of_request(request: Request) -> str:
    """The language of the answer to a request."""
    browser = asked_by(request.headers.get("Accept-Language", ""))
    if request.user.is_authenticated:
        return request.user.language or request.shop.language or browser
    return browser or request.shop.language


@contextmanager
def speaking(code: str) -> Iterator[None]:
    """Everything inside is written in this language; in English where we do not speak it."""
    with translation.override(code if code in NAMES else ENGLISH):
        yield


def in_english() -> bool:
    """Whether what is shown now is shown as it is written in the code."""
    return (translation.get_language() or ENGLISH).startswith("en")
