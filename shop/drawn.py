"""Pieces of a page that are drawn of a few facts alone, kept for the same facts.

A save is answered with the row that it changed, and most of a row is as it was. A piece knows
nothing but its facts: neither the request, nor rows, nor the clock. So what is kept can be nothing
but what would be drawn anew, by whatever process, and there is nothing to make it out of date.
"""

from functools import lru_cache
from typing import Final

from django.conf import settings
from django.template.loader import render_to_string
from django.urls import get_script_prefix, get_urlconf, reverse
from django.utils.safestring import SafeString
from django.utils.translation import get_language

MOST_KEPT: Final = 4096

Fact = str | int | None | tuple["Fact", ...]
"""What a piece is drawn of: never a float, of which two may be alike and written differently."""


def drawn(template: str, **facts: Fact) -> SafeString:
    """The template with these facts and nothing else, in the language of the moment.

    It may hold no moment of time, and no object of which it would look up more.
    """
    return _drawn(template, get_language(), tuple(facts), *facts.values())


# Typed: a text that is HTML already is not the same fact as a text that says the same.
@lru_cache(maxsize=MOST_KEPT, typed=True)
def _drawn(template: str, language: str | None, names: tuple[str, ...], *facts: Fact) -> SafeString:
    return SafeString(render_to_string(template, dict(zip(names, facts, strict=True))))


def address(name: str, *args: str | int) -> str:
    """The address of a page, as `reverse` gives it."""
    return _address(get_urlconf() or settings.ROOT_URLCONF, get_script_prefix(), name, *args)


@lru_cache(maxsize=MOST_KEPT, typed=True)
def _address(urlconf: str, prefix: str, name: str, *args: str | int) -> str:
    return reverse(name, urlconf, args)
