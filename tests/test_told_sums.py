"""What the sums say in English is said in Spanish and German, figure by figure the same."""

import json
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import msgspec
import pytest
from django.utils import translation

from shop.kept_words import told
from tests import catalogue, composed
from wiring.check import check
from wiring.findings import Finding
from wiring.plan import Plan, from_builtins

PLANS = Path(__file__).parent / "wiring"
WORDS = """
the of and with from which is its be at may only have their this that than not on by it
where feed feeds channel speaker cable fuse carries
"""
ENGLISH = frozenset(WORDS.split())
ALSO = {"de": frozenset[str](), "es": frozenset({"cable"})}
"""Words of the language that are spelt like an English one."""

CITED = re.compile(
    r"[“„«].*?[“”»]|\b(Working Group Note|AES preprint|Network Analysis and Feedback)"
)
"""What stands on a label, and titles of documents."""


@cache
def cases() -> tuple[tuple[str, Plan, dict[str, float] | None], ...]:
    read = []
    for path in sorted((*PLANS.glob("hard_plans/*.json"), *PLANS.glob("clean_cars/*.json"))):
        case = json.loads(path.read_text(encoding="utf-8"))
        read.append((path.stem, from_builtins(case["plan"]), case.get("distances_m")))
    return tuple(read)


def texts_of(finding: Finding) -> Iterator[str]:
    yield from (finding.title, finding.detail, finding.what_to_do, finding.source)
    for figure in finding.figures:
        yield from (figure.label, figure.formula, figure.worked, figure.source, *figure.assumed)


@cache
def said_in_english() -> frozenset[str]:
    """Every text of every finding of the plans kept for tests; none of a device is a word."""
    return frozenset(
        text.replace("Varn two", "Varn 2x").replace("Right pillar", "Rxx")
        for _, plan, distances in cases()
        for finding in check(plan, distances)
        for text in texts_of(finding)
        if text
    )


def figures(text: str) -> list[str]:
    plain = re.sub(r"(?<=\d)[\u00a0 ](?=\d{3}\b)", "", text)
    return sorted(re.findall(r"\d+(?:\.\d+)?", re.sub(r"(?<=\d),(?=\d)", ".", plain)))


def left_in(text: str, language: str) -> set[str]:
    """The English words that are left."""
    words = re.findall(r"[a-z]+", CITED.sub("", text).lower())
    return set(words) & (ENGLISH - ALSO[language])


@pytest.mark.parametrize("language", catalogue.LANGUAGES)
def test_every_finding_is_said_whole_and_with_its_own_figures(language: str) -> None:
    wrong = []
    with translation.override(language):
        for text in sorted(said_in_english()):
            said = told(text)
            if left_in(said, language) or (said != text and figures(said) != figures(text)):
                wrong.append((text, said))
    assert wrong == []


def test_a_word_that_was_left_is_seen() -> None:
    with translation.override("de"):
        whole = told("The wire of Varn mono, channel 2 is not written down")
    assert whole == "Die Leitung von Varn mono, Kanal 2 ist nicht eingetragen"
    assert left_in(whole, "de") == set()
    assert left_in("Die Leitung von Varn mono, channel 2 ist nicht eingetragen", "de") == {
        "channel"
    }
    assert figures("3,5 A und 48 000 Hz") == figures("3.5 A and 48000 Hz") != figures("3.4 A")


NAMES = (
    "The feed of the car",
    "Salt and pepper",
    "Speaker box",
    "Load: the maker's data",
    "Left side, with 2.5 of them",
    "Kanal 3",
)


@pytest.mark.parametrize("language", catalogue.LANGUAGES)
def test_what_somebody_typed_stands_as_it_is(language: str) -> None:
    """A device may be called anything: a name that is made of our words is nobody's sentence."""
    with translation.override(language):
        assert tuple(map(told, NAMES)) == NAMES
    for at, (_, plan, distances) in enumerate(cases()):
        if at % 7:
            continue
        names = {
            device.name: NAMES[number % len(NAMES)] for number, device in enumerate(plan.devices)
        }
        renamed = msgspec.structs.replace(
            plan,
            devices=tuple(
                msgspec.structs.replace(one, name=names[one.name]) for one in plan.devices
            ),
        )
        for finding in check(renamed, distances):
            with translation.override(language):
                said = told(finding.title)
            for name in {one.name for one in renamed.devices}:
                assert finding.title.count(name) <= said.count(name), (finding.title, said)


def test_two_that_are_called_alike_are_both_said() -> None:
    english = "Input 1 of Varn mono is fed twice: Varn four, channel 2 and Varn four, channel 2"
    with translation.override("de"):
        assert told(english) == (
            "Eingang 1 von Varn mono wird zweimal gespeist:"
            " Varn four, Kanal 2 und Varn four, Kanal 2"
        )


def test_a_size_written_as_people_write_it_keeps_no_sentence_in_english() -> None:
    with translation.override("de"):
        said = told("R5 return from A1 to body, 16 mm², 0.5 m")
    assert said == "R5 Rückleitung von A1 zu Karosserie, 16 mm², 0,5 m"


def test_the_program_reads_the_patterns_of_the_code() -> None:
    """Else: `python -m tests.catalogue`."""
    assert composed.WRITTEN.read_text(encoding="utf-8") == composed.written()


def test_a_text_that_is_put_together_is_read_from_the_code() -> None:
    import ast

    code = '''
def said(device, volt, more):
    """Not this."""
    which = f"and {more:.1f} V more" if more else ""
    end = f", with {len(volt)} beside" if more else ""
    return f"{device.name} gets {volt:.2f} V {'at night' if more else 'by day'}{end}"
'''
    assert dict(composed.of_module(ast.parse(code))) == {
        "and %(more)s V more": {"more": "number"},
        "%(device_name)s gets %(volt)s V at night, with %(volt_2)s beside": {
            "device_name": "name", "volt": "number", "volt_2": "number",
        },
        "%(device_name)s gets %(volt)s V at night": {"device_name": "name", "volt": "number"},
        "%(device_name)s gets %(volt)s V by day, with %(volt_2)s beside": {
            "device_name": "name", "volt": "number", "volt_2": "number",
        },
        "%(device_name)s gets %(volt)s V by day": {"device_name": "name", "volt": "number"},
    }  # fmt: skip
