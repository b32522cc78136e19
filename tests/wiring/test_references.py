"""Every citation names its edition: a standard without a year is no source."""

import json
import re
from pathlib import Path

import pytest

from wiring.__main__ import rules_page

WIRING = Path(__file__).resolve().parents[2] / "wiring"
STANDARD = re.compile(
    r"\b(?:ISO|IEC|SAE|UL|ASTM|NFPA|BS|DIN|GB|AES|ANSI\S*|\d\d CFR) [A-Z]?\d[\w./-]*"
)
YEAR = re.compile(r"\b(?:1[89]|20)\d\d\b|^ASTM [A-Z]\d+-\d\d")


def without_year(text: str) -> list[str]:
    """Standards named in a text that has no edition for them up to the next mark of a list."""
    return [
        found[0]
        for found in STANDARD.finditer(text)
        if not YEAR.search(re.split(r"[;|]", text[found.start() :])[0])
    ]


@pytest.mark.parametrize(
    ("text", "missing"),
    [
        ("ISO 8820-3 type C, gates from memory", ["ISO 8820-3"]),
        ("ISO 8820-3:2015 type C; UL 248-14", ["UL 248-14"]),
        ("ISO 8820-3:2015 type C; UL 248-14:2000", []),
        ("33 CFR 183.425 Table 5 (as read in 2026)", []),
        ("ASTM B258-18 area", []),
    ],
)
def test_a_citation_without_its_edition_is_seen(text: str, missing: list[str]) -> None:
    assert without_year(text) == missing


def test_every_document_of_the_references_has_its_edition() -> None:
    rows = [
        line.split("|")[2]
        for line in (WIRING / "REFERENCES.md").read_text().splitlines()
        if line.startswith("| ") and not line.startswith("| ---")
    ]
    assert len(rows) > 50
    assert {row: found for row in rows if (found := without_year(row))} == {}


def test_every_table_and_rule_has_its_edition() -> None:
    sources = [line.split("|")[-2] for line in rules_page().splitlines() if line.startswith("|")]
    for path in (WIRING / "tables").glob("*.json"):
        sources += [
            value for key, value in strings(json.loads(path.read_text())) if key.endswith("source")
        ]
    assert len(sources) > 80
    assert {one: found for one in sources if (found := without_year(one))} == {}


def strings(value: object, key: str = "") -> list[tuple[str, str]]:
    """Each text of a document with the name it stands under."""
    if isinstance(value, dict):
        return [one for name, part in value.items() for one in strings(part, name)]
    if isinstance(value, list):
        return [one for part in value for one in strings(part, key)]
    return [(key, value)] if isinstance(value, str) else []
