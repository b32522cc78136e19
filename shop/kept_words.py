"""What rows and signed documents keep in English, said in the language that is active.

Names of functions, readings and drawings were written into the book when a job was made or signed,
and the sums speak English alone. `told` finds the words again: a whole text by itself, one with
names and figures in it by its pattern, of which the one with most words of its own counts. What a
person typed is found nowhere and stands as it is. The patterns are read from the code by
`python -m tests.catalogue`.
"""

import json
import re
from dataclasses import dataclass
from functools import cache, lru_cache
from html import escape, unescape
from pathlib import Path
from typing import Any, Final

from django.utils.translation import get_language, gettext, gettext_noop as kept

from shop.languages import in_english
from shop.wording import STYLES, capital, figures_said, listed, style

PATTERNS: Final = (
    kept("Voltage at %(which)s under load"),
    kept("Output voltage of %(which)s at the test tone"),
    kept("Output of %(which)s at the test tone"),
    kept("Signal at the input of %(which)s, test tone"),
    kept("Channel %(which)s"),
    kept("Part %(which)s"),
    kept("Pin %(which)s"),
    kept("photo %(which)s"),
    kept("Distribution %(which)s"),
    kept("%(count)s of them with entries"),
    kept("%(count)s speaker in its place"),
    kept("%(count)s speakers in their places"),
    kept("%(count)s signal feed to it"),
    kept("%(count)s signal feeds to it"),
    kept("Step: %(which)s"),
    kept("Function: %(which)s"),
    kept("%(which)s, before"),
    kept("%(which)s before"),
    kept("%(which)s after"),
    kept("%(device)s input %(number)s"),
    kept("%(near)s to %(far)s"),
    kept("%(count)s clip or screw"),
    kept("%(count)s clips or screws"),
    kept("%(count)s channel"),
    kept("%(count)s channels"),
    kept("%(count)s line output"),
    kept("%(count)s line outputs"),
    kept("%(count)s wire"),
    kept("%(count)s wires"),
    kept("Proposal for %(which)s"),
    kept("%(which)s · lowest"),
    kept("%(run)s · fuse %(rating)s"),
    kept("Measured response, %(which)s alone"),
)
"""Texts of rows of which a part is a name."""

WHOLE: Final = (
    kept("Measured response, everything playing"),
    kept("Measured response, left side"),
    kept("Measured response, right side"),
    kept("Level of each channel, before (thin) and after (bold)"),
    kept("Level of each channel"),
    kept("Level of each side, before (thin) and after (bold)"),
    kept("Level of each side"),
    kept("Everything playing"),
    kept("Factory feed (the car's own supply wire)"),
    kept("Everything"),
    kept("Smoothing"),
    kept("Level of the factory outputs"),
    kept("Now"),
    kept("Tap the seat the sound is set for."),
    kept("Each channel"),
    kept("Each place"),
    kept("Each side"),
    kept("Each side, its channels summed"),
    kept("Left sum"),
    kept("Right sum"),
    kept("Left side"),
    kept("Crossovers"),
    kept("by hand"),
    kept("typed name"),
    kept("STOP"),
    kept("CAUTION"),
    kept("Right side"),
    kept("Before"),
    kept("After"),
    kept("Expected now"),
    kept("The job"),
    kept("On arrival"),
    kept("A mark on the car"),
    kept("Battery at rest"),
    kept("Charging voltage, engine running"),
    kept("Key-off draw, asleep"),
    kept("Seen from the wire side"),
    kept("Seen from the mating side"),
    kept("flooded"),
    kept("agm"),
    kept("efb"),
    kept("lithium"),
    kept("strip"),
    kept("blade"),
    kept("midi"),
    kept("glass"),
    kept("ceramic"),
)
"""Texts that stand in drawings and rows and in no table of their own."""

COMPOSED: Final = Path(__file__).parent / "locale" / "composed.json"
LONGEST: Final = 700
"""What is longer was typed."""

DEEPEST: Final = 5
_PLACE: Final = re.compile(r"%\((\w+)\)s")
_NUMBER: Final = r"[+\-−]?(?:\d+(?:[.,\u00a0]\d+)*(?:e[+-]?\d+)?|inf|nan) ?%?"
_WRITTEN: Final = (
    (r"\bmohm\b", "(?:mohm|mΩ)"),
    (r"\bohm\b", "(?:ohm|Ω)"),
    (r"\bdegC\b", "(?:degC|°C)"),
    (r"\bmm2\b", "mm[2²]"),
    (r"(?<=\\ )x(?=\\ )", "[x×]"),
    (r"\\-(?=\d)", "[-−]"),
)
"""What the sums spell out, as they and as people write it."""

_SPELT: Final = re.compile(r"\b(?:mohm|ohm|degC|mm2)\b| x |-(?=\d)")
_WORD: Final = re.compile(r"[^\W\d_]{2,}")


def _is_same(text: str) -> bool:
    """Figures, units and signs alone."""
    return not re.search(r"[^\W\d_]", text) or (
        bool(re.search(r"\d|-", text)) and _same().issuperset(_WORD.findall(text.replace("²", "2")))
    )


@dataclass(frozen=True)
class Shape:
    """A pattern, what finds a text that was made of it, and the longest of its own pieces."""

    pattern: str
    finds: re.Pattern[str]
    piece: str
    places: dict[str, str]
    strict: bool
    """It has few words of its own: it counts only where all that stands in it is known."""


def _holds(kind: str) -> str:
    """What may stand in a place of the kind."""
    if kind == "speaker":
        return f"(?:{'|'.join(_composed()['speakers'])})(?:, .+?)?"
    return {
        "number": _NUMBER,
        "id": r"\S+?",
        "mark": r"(?=\S*[A-Z0-9'])\S+?",
        "list": "[^;]+?",
    }.get(kind, ".+?")


def _shape(pattern: str, places: dict[str, str]) -> Shape:
    fixed = _PLACE.split(pattern)
    words = _WORD.findall(" ".join(fixed[::2]))
    if len(words) < 2:  # "speaker M1" is ours, "speaker box" may be anybody's
        places = {name: "mark" if kind == "id" else kind for name, kind in places.items()}
    parts, own = [], []
    for at, part in enumerate(fixed):
        if at % 2:
            parts.append(f"(?P<{part}>{_holds(places.get(part, 'text'))})")
            continue
        plain = part.replace("%%", "%") if places else part
        own += _SPELT.split(plain)
        text = re.escape(plain)
        for spelt, either in _WRITTEN:
            text = re.sub(spelt, either.replace("\\", r"\\"), text)
        parts.append(text)
    strict = len(words) < 3 and sum(map(len, words)) < 14
    return Shape(pattern, re.compile("".join(parts)), max(own, key=len), places, strict)


@cache
def _composed() -> dict[str, Any]:
    read: dict[str, Any] = json.loads(COMPOSED.read_text(encoding="utf-8"))
    return read


@cache
def _shapes() -> tuple[Shape, ...]:
    """Every pattern, those with most words of their own first."""
    patterns = {one: dict.fromkeys(_PLACE.findall(one), "text") for one in PATTERNS}
    patterns |= _composed()["patterns"]
    patterns |= {one: {} for one in _composed()["texts"] if _SPELT.search(one)}
    shapes = [_shape(pattern, places) for pattern, places in patterns.items()]
    return tuple(sorted(shapes, key=lambda one: -len(_PLACE.sub("", one.pattern))))


@cache
def _texts() -> frozenset[str]:
    return frozenset(_composed()["texts"])


@cache
def _same() -> frozenset[str]:
    """Words of formulas and of units, which are the same in every language."""
    return frozenset(_composed()["same"])


def _small(text: str) -> str:
    """As inside a sentence; German keeps the capitals of its nouns."""
    return text if style() is STYLES["de"] else text[:1].lower() + text[1:]


def _whole(text: str) -> str | None:
    """A text that stands in the catalogue as it is, or with its first letter large or small."""
    said = gettext(text)
    if said != text or text in _texts():
        return said
    other = text[:1].swapcase() + text[1:]
    said = gettext(other)
    if other != text and (said != other or other in _texts()):
        return capital(said) if text[:1].isupper() else _small(said)
    return None


def _found(text: str, deep: int = 0) -> str | None:
    """A text as it is said now; nothing where it is none of ours."""
    if (said := _whole(text)) is not None:
        return said
    if len(text) > LONGEST or deep > DEEPEST:
        return None
    said = _shaped(text, deep)
    if said is None and text[:1].isupper():
        small = _shaped(text[0].lower() + text[1:], deep)
        said = None if small is None else capital(small)
    said = _joined(text, deep) if said is None else said
    if said is None and text[-1:] == "." and (said := _found(text[:-1], deep + 1)) is not None:
        return f"{said}."
    return said


def _shaped(text: str, deep: int) -> str | None:
    """A text that was made of a pattern, as it is said now."""
    for shape in _shapes():
        if shape.piece in text and (match := shape.finds.fullmatch(text)):
            values = {}
            if _swallows(shape, match):
                continue
            for name, kind in shape.places.items():
                value = _value(match[name], kind, deep, strict=shape.strict)
                if value is None:
                    break
                values[name] = value
            else:
                said = gettext(shape.pattern)
                return said % values if shape.places else said
    return None


def _swallows(shape: Shape, match: re.Match[str]) -> bool:
    """Whether the first place takes in a sentence before the one that is meant, or the head of
    one ("First mend this: …"), or the last place a sentence after it."""
    first, last = match[1] if shape.places else "", match[match.lastindex or 0]
    before = _LEADS.match(shape.pattern) and (_BREAKS.search(first) or first.startswith(_heads()))
    return bool(before or (_ENDS.search(shape.pattern) and _BREAKS.search(last)))


@cache
def _heads() -> tuple[str, ...]:
    """What stands before a colon and a whole sentence."""
    return tuple(
        found[1]
        for one in _composed()["patterns"]
        if (found := _HEAD.fullmatch(one)) and found[1][:1].isupper()
    )


def _value(value: str, kind: str, deep: int, *, strict: bool) -> str | None:
    """What stands in a place, as it is said now."""
    if kind == "number":
        return figures_said(value)
    if kind in {"name", "id", "mark"}:
        return value
    if kind == "either":
        return _whole(value) or value
    if _is_same(value):
        return figures_said(value)
    if kind == "list":
        return _listed(value, deep)
    said = _found(value, deep + 1)
    if said is None and not strict and kind != "place" and not _SENTENCES.search(value):
        return figures_said(value)
    return said


def _listed(text: str, deep: int) -> str:
    """A list, each of its things as it is said now where it is known."""
    for at in re.finditer(" and ", text):
        first = _value(text[: at.start()], "text", deep, strict=True)
        second = _value(text[at.end() :], "text", deep, strict=True)
        if first is not None and second is not None:
            return listed([first, second])
    head, joined, last = text.rpartition(" and ")
    said = [
        ", ".join(_value(one, "text", deep, strict=False) or one for one in part.split(", "))
        for part in (head, last)
    ]
    return listed(said) if joined else said[1]


_JOINS: Final = (
    (re.compile(r"(?<=[.!?]) (?=[A-Z“])"), " "),
    (re.compile(r"; "), "; "),
    (re.compile(r" \+ "), " + "),
    (re.compile(r", "), ", "),
    (re.compile(r" and "), ""),
)
_LEADS: Final = re.compile(r"%\(\w+\)s")
_ENDS: Final = re.compile(r"%\(\w+\)s\.$")
_HEAD: Final = re.compile(r"([^%]+: )%\(\w+\)s")
_BREAKS: Final = re.compile(r"[.!?] [A-Z“]")
_SENTENCES: Final = re.compile(r"[.!?] [A-Z“]|; ")
_BESIDE: Final = re.compile(r"(.+) \(([^()]+)\)")
_OF: Final = re.compile(r"([^.:]{1,60}): (.+?)(\.?)")
_MARKED: Final = re.compile(
    r"([A-Z]+\d+(?:\.L?\d+)?(?: [+−-])?|B[KNU]|RD|OG|YE|GN(?:YE)?|VT|GY|WH|PK|GD|TQ|SR) (.+)"
)
"""A mark of the plan, or the code of a colour, before what it is: "A1.3 midrange, front door left",
"GN green"."""

_WAY: Final = " → "
_CODE: Final = re.compile(r"[A-Z]{2,4}(?:/[A-Z]{2,4})?|[\W\d]+")


def _joined(text: str, deep: int) -> str | None:
    """Sentences, or things in a row, of which each is known."""
    for parts, joined in _JOINS:
        split = parts.split(text)
        if len(split) > 1:
            if len(split) > 2 * DEEPEST:
                continue
            rows = [_value(one, "text", deep, strict=True) for one in split]
            whole = [one for one in rows if one is not None]
            if len(whole) == len(split):
                return joined.join(whole) if joined else listed(whole)
    if found := _OF.fullmatch(text):
        head = _found(found[1], deep + 1)
        said = _value(found[2], "text", deep, strict=True)
        if said is not None and (head is not None or not _is_same(found[2])):
            return f"{head or found[1]}: {said}{found[3]}"
    if beside := _BESIDE.fullmatch(text):
        head = _value(beside[1], "text", deep, strict=True)
        tail = beside[2]
        if not _CODE.fullmatch(tail):
            tail = _value(tail, "text", deep, strict=True) or ""
        return f"{head} ({tail})" if head and tail else None
    if marked := _MARKED.fullmatch(text):
        said = _value(marked[2], "text", deep, strict=True)
        return None if said is None else f"{marked[1]} {said}"
    if _WAY in text:
        return _WAY.join(_whole(one) or one for one in text.split(_WAY))
    return None


@lru_cache(maxsize=16384)
def _told(text: str, language: str | None) -> str | None:
    return _found(text)


def told(text: object) -> str:
    """A text that is kept in English, as it is said now."""
    text = str(text)
    if not text or in_english():
        return text
    said = _told(text, get_language())
    return text if said is None else said


def summed(text: object) -> str:
    """A text of the sums as it is said now: a formula of which no word is known has its numbers
    as the language writes them."""
    text = str(text)
    if not text or in_english():
        return text
    said = _told(text, get_language())
    return figures_said(text) if said is None else said


_IN_DRAWING: Final = re.compile(r"(?<=>)[^<>]*[^<>\s][^<>]*(?=<)")
_HEARD: Final = re.compile(r'(?<=aria-label=")[^"]*(?=")')
_READ: Final = re.compile(r'(?<=data-values=")[^"]*(?=")')


def _drawn(found: re.Match[str]) -> str:
    return escape(summed(unescape(found[0])))


def drawn(svg: str) -> str:
    """A drawing that is kept in English, with its words and numbers as they are said now."""
    if in_english():
        return svg
    for where in (_IN_DRAWING, _HEARD):
        svg = where.sub(_drawn, svg)
    return _READ.sub(
        lambda found: escape("|".join(map(summed, unescape(found[0]).split("|")))), svg
    )
