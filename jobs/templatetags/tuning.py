"""Numbers of the tuning pages."""

from typing import Any

from django import template

from jobs import wording

register = template.Library()


@register.filter
def times(value: float, factor: float) -> float:
    """A product, without minus zero."""
    return float(value) * float(factor) + 0.0


register.filter("band", wording.band)


@register.filter
def kind_words(kind: str) -> str:
    """ "Low shelf", "All-pass", "Peak"."""
    return wording.capital(wording.SECTIONS[kind])


@register.filter
def gain_words(section: Any) -> str:
    """The gain of a section, a dash where its kind has none."""
    if section.kind in wording.WITH_GAIN:
        return wording.level(section.gain_db)
    return wording.NOTHING
