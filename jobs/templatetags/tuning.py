"""Numbers of the tuning pages."""

from typing import Any

from django import template

register = template.Library()


@register.filter
def times(value: float, factor: float) -> float:
    """A product, without minus zero."""
    return float(value) * float(factor) + 0.0


@register.filter
def signed(value: float | None, digits: int = 1) -> str:
    """ "+1.5", "−0.3", "0.0"; a dash for nothing."""
    if value is None:
        return "–"
    text = f"{value:+.{digits}f}"
    if float(text) == 0:
        text = text.lstrip("+-")
    return text.replace("-", "−")


@register.filter
def hertz(value: float) -> str:
    """ "63 Hz", "1.25 kHz", to three figures."""
    return f"{value:.3g} Hz" if value < 1000 else f"{value / 1000:.3g} kHz"


@register.filter
def kind_words(kind: str) -> str:
    """ "Low shelf", "All-pass", "Peaking"."""
    words = {"all_pass": "All-pass", "low_pass": "Low-pass", "high_pass": "High-pass"}
    return words.get(kind, kind.replace("_", " ").capitalize())


@register.filter
def gain_words(section: Any) -> str:
    """The gain of a section, a dash where its kind has none."""
    if section.kind in {"peaking", "low_shelf", "high_shelf"}:
        return f"{signed(section.gain_db)} dB"
    return "–"
