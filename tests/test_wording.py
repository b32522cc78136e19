"""Numbers, lengths of time, bays, lists and places are written one way, on every page and sheet."""

import html
import re
from pathlib import Path

import pytest

from wiring.names import KIND_NAMES
from wiring.positions import POSITIONS

ROOT = Path(__file__).resolve().parent.parent
SPACE = "[ \u00a0]"
PLACES = "|".join(re.escape(place.label) for place in POSITIONS.values())
KINDS = "|".join(KIND_NAMES.values())
UNITS = "km|miles|Hz|dB|ms|V|A|W|mA|Ω|mΩ|m|mm|°C|MB"

FORBIDDEN = {
    "thousands by a comma": (r"\d,\d{3}\b", "48,210 km", "1, 210 mm"),
    "thousands together": (
        rf"(?<![\d.])\d{{5,}}{SPACE}?(?:{UNITS})\b",
        "88410 km",
        "88\u00a0410 km, 0.03596 V",
    ),
    "minutes past an hour": (rf"\b(?:[6-9]\d|\d{{3,}}){SPACE}min\b", "475 min", "7 h 55 min"),
    "hours in words": (rf"\d{SPACE}(?:hours?|minutes?),{SPACE}\d", "3 hours, 5 minutes", "3 h"),
    "a bay twice": (r"\bbay bay\b", "bay Bay 1", "Bay 1"),
    "how without its words": (r"\bhow (?:by hand|typed)", "; how by hand", "written by hand"),
    "a list without commas": (r"crossovers EQ", "crossovers EQ chimes", "crossovers, EQ, chimes"),
    "a day of a machine": (r"\b20\d\d-\d\d-\d\d", "2026-11-25", "25 Nov 2026"),
    "no comma before the time": (
        r"\b(?:Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)(?: 20\d\d)? \d\d:\d\d",
        "Wed 25 Nov 14:05",
        "Wed 25 Nov, 14:05",
    ),
    "a hyphen for a minus": (
        rf"(?<![\w.–-])-\d[\d.]*{SPACE}(?:{UNITS})\b",
        "at -3.0 dB",
        "at −3.0 dB, A-12 V",
    ),
    "an exponent": (r"\d(?:\.\d+)?e[+-]\d", "4.8e+04 Hz", "type e+4"),
    "a unit spelt out": (r"\d (?:mm2|degC|mohm|ohm)\b", "25 mm2", "25 mm²"),
    "the place before the kind": (
        rf"\b(?:{PLACES}),? (?:{KINDS})\b",
        "Front pillar left tweeter",
        "Tweeter, front pillar left; midrange, dash left",
    ),
}


def wrong_in(text: str) -> list[tuple[str, str]]:
    """Every forbidden form in a text, with some of what stands around it."""
    return [
        (name, text[max(found.start() - 40, 0) : found.end() + 20])
        for name, (pattern, _, _) in FORBIDDEN.items()
        for found in re.finditer(pattern, text, re.IGNORECASE if "bay" in pattern else 0)
    ]


def read_aloud(page: str) -> str:
    """What a person reads or hears of a page: its text, and the words of labels and questions."""
    page = re.sub(r"<(script|style|textarea)\b.*?</\1>", " ", page, flags=re.DOTALL)
    heard = re.findall(r'(?:aria-label|alt|title|data-confirm|placeholder)="([^"]*)"', page)
    text = re.sub(r"</?(?:b|i|small|span|strong|tspan)\b[^>]*>", "", page)
    return html.unescape(" | ".join([re.sub(r"<[^>]*>", " | ", text), *heard]))


@pytest.mark.parametrize("name", FORBIDDEN)
def test_what_is_wrong_is_seen_and_its_near_miss_is_not(name: str) -> None:
    _, wrong, right = FORBIDDEN[name]
    assert name in [found for found, _ in wrong_in(wrong)]
    assert wrong_in(right) == []


def test_no_template_formats_by_itself() -> None:
    own = re.compile(
        r"\|(?:floatformat|intcomma|timesince|timeuntil|filesizeformat|(?:date|time):(?!.c))"
    )
    found = {
        str(path.relative_to(ROOT)): own.findall(path.read_text())
        for path in (ROOT / "templates").rglob("*.html")
    }
    assert {name: filters for name, filters in found.items() if filters} == {}


def test_no_module_writes_moments_by_itself() -> None:
    own = re.compile(r"formats import date_format|strftime\(|\{[^{}]*:%[-a-zA-Z]")
    found = {
        str(path.relative_to(ROOT))
        for top in ("jobs", "shop")
        for path in (ROOT / top).rglob("*.py")
        if own.search(path.read_text()) and "migrations" not in path.parts
    }
    nobody_reads = {"shop/backups.py"}
    assert found == {"shop/wording.py"} | nobody_reads, "a name of a file"
