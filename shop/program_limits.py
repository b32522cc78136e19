"""What a processor's own program takes, as a line of text of the catalogue.

Numbers are written "-60 to 6 step 0.5", any between two as "20 to 20000", single ones as
"0.5; 0.7; 1", and stretches with steps of their own one after another: "20 to 200 step 1; 200 to
2000 step 10". Filters are written "Butterworth 12 24; Linkwitz-Riley 24 48" in dB per octave.
"""

import re
from decimal import Decimal
from functools import lru_cache
from typing import Final, NamedTuple

from django.utils.translation import gettext, gettext_noop as kept

from shop.wording import listed

MOST_VALUES: Final = 2000
FAMILIES: Final = {
    "butterworth": "Butterworth",
    "linkwitz_riley": "Linkwitz-Riley",
    "bessel": "Bessel",
}
KINDS: Final = {
    "peaking": kept("peak"),
    "low_shelf": kept("low shelf"),
    "high_shelf": kept("high shelf"),
    "notch": kept("notch"),
    "all_pass": kept("all-pass"),
    "low_pass": kept("low-pass"),
    "high_pass": kept("high-pass"),
}
SLOPES_DB: Final = tuple(range(6, 49, 6))
_NUMBER: Final = r"([+-]?(?:\d+(?:[.,]\d+)?|[.,]\d+))"
_TO: Final = r"(?:to|bis|a|hasta)"
_STEP: Final = r"(?:steps?|schritte?n?|pasos?)"
"""A range is read in every language the screens have, and kept in English."""
_RANGE: Final = re.compile(
    rf"{_NUMBER}\s*{_TO}\s*{_NUMBER}(?:\s*(?:(?:in|en)\s+)?{_STEP}\s+(?:(?:of|de)\s+)?{_NUMBER})?",
    re.IGNORECASE,
)
_ONE: Final = re.compile(_NUMBER)


class WrongLimits(ValueError):
    """Why a line of limits is not understood, as a sentence that says what to write."""


class Range(NamedTuple):
    """What can be typed: from `low` to `high` in steps of `step` (any, without one), or `values`
    alone where they are given."""

    low: float
    high: float
    step: float | None
    values: tuple[float, ...]


@lru_cache(maxsize=512)
def range_in(text: str, low: float, high: float) -> Range | None:
    """The numbers a line names, None for an empty one; each must be from `low` to `high`. Raises
    WrongLimits."""
    pieces = _pieces(text)
    if not pieces:
        return None
    stretches = [_stretch(piece) for piece in pieces]
    for piece, one in zip(pieces, stretches, strict=True):
        _check(piece, float(one[0]), float(one[1]), low, high)
    if len(stretches) == 1 and stretches[0][0] != stretches[0][1]:
        begin, end, fine = stretches[0]
        return Range(float(begin), float(end), None if fine is None else float(fine), ())
    values: set[Decimal] = set()
    for piece, (begin, end, fine) in zip(pieces, stretches, strict=True):
        if fine is None and begin != end:
            raise WrongLimits(
                gettext("“%(piece)s” needs its step where several stretches are given.")
                % {"piece": piece}
            )
        count = int((end - begin) / fine) if fine else 0
        if count + len(values) >= MOST_VALUES:
            raise WrongLimits(
                gettext("More than %(most)s values: write fewer stretches.") % {"most": MOST_VALUES}
            )
        values |= {begin + place * (fine or 0) for place in range(count + 1)}
    kept = tuple(float(one) for one in sorted(values))
    return Range(kept[0], kept[-1], None, kept)


def _check(piece: str, first: float, last: float, low: float, high: float) -> None:
    if first > last:
        raise WrongLimits(gettext("“%(piece)s” ends below where it begins.") % {"piece": piece})
    if not low <= first <= last <= high:
        raise WrongLimits(
            gettext("“%(piece)s” is outside %(low)s to %(high)s: look at its unit.")
            % {"piece": piece, "low": f"{low:g}", "high": f"{high:g}"}
        )


def _pieces(text: str) -> list[str]:
    """The line in pieces; a comma between digits is a decimal one."""
    plain = text.replace("\u00a0", " ").replace("−", "-").replace("–", " to ")
    plain = re.sub(rf"(?i),\s*(?=(?:(?:in|en)\s+)?{_STEP})", " ", plain.replace("..", " to "))
    pieces = re.split(r";|,(?!\d)|(?<!\d),", plain)
    return [" ".join(piece.split()) for piece in pieces if piece.strip()]


def _stretch(piece: str) -> tuple[Decimal, Decimal, Decimal | None]:
    if one := _ONE.fullmatch(piece):
        return (_number(one[1]),) * 2 + (None,)
    found = _RANGE.fullmatch(piece)
    if found is None:
        raise WrongLimits(
            gettext(
                "“%(piece)s” is not understood. Write such as -60 to 6 step 0.5, or single values "
                "such as 0.5; 0.7; 1."
            )
            % {"piece": piece}
        )
    step = None if found[3] is None else _number(found[3])
    if step is not None and step <= 0:
        raise WrongLimits(gettext("“%(piece)s”: a step is above 0.") % {"piece": piece})
    return _number(found[1]), _number(found[2]), step


def _number(text: str) -> Decimal:
    return Decimal(text.replace(",", "."))


@lru_cache(maxsize=256)
def slopes_in(text: str) -> tuple[tuple[str, tuple[int, ...]], ...]:
    """Families of crossover filters with their slopes [dB per octave]. Raises WrongLimits."""
    families = {_bare(name): key for key, name in FAMILIES.items()}
    found: dict[str, tuple[int, ...]] = {}
    for piece in filter(None, (" ".join(one.split()) for one in text.split(";"))):
        name, _, rest = piece.partition(" ")
        if _bare(name) == "linkwitz" and rest.casefold().startswith("riley"):
            name, rest = "Linkwitz-Riley", rest[5:]
        family = families.get(_bare(name))
        if family is None:
            raise WrongLimits(
                gettext("“%(name)s” is none of %(known)s.")
                % {"name": name, "known": listed(FAMILIES.values())}
            )
        if family in found:
            raise WrongLimits(gettext("%(name)s stands there twice.") % {"name": FAMILIES[family]})
        slopes = re.sub(r"db(?:\s*/\s*oct)?", " ", rest, flags=re.IGNORECASE)
        found[family] = _slopes(family, re.split(r"[\s,/]+", slopes.strip(" ,/")))
    return tuple(found.items())


def _slopes(family: str, words: list[str]) -> tuple[int, ...]:
    fits = [one for one in SLOPES_DB if family != "linkwitz_riley" or one % 12 == 0]
    known = {str(one): one for one in fits}
    for word in words:
        if word not in known:
            raise WrongLimits(
                gettext(
                    "“%(word)s” is no slope of %(family)s: write its slopes in dB per octave, of "
                    "%(known)s."
                )
                % {"word": word, "family": FAMILIES[family], "known": listed(known)}
            )
    return tuple(sorted({known[word] for word in words}))


@lru_cache(maxsize=256)
def kinds_in(text: str) -> tuple[str, ...]:
    """Kinds of equaliser sections a line names. Raises WrongLimits."""
    known = {"peaking": "peaking"} | {_bare(name): key for key, name in KINDS.items()}
    found = []
    for piece in filter(str.strip, re.split(r"[;,]", text)):
        kind = known.get(_bare(piece))
        if kind is None:
            raise WrongLimits(
                gettext("“%(piece)s” is none of %(known)s.")
                % {"piece": " ".join(piece.split()), "known": listed(KINDS.values())}
            )
        found.append(kind)
    return tuple(dict.fromkeys(found))


def _bare(text: str) -> str:
    return re.sub(r"[\W_]+", "", text.casefold())


def range_text(found: Range | None, text: str) -> str:
    """A line as it is kept: single ranges in one form, lists as they were typed."""
    if found is None:
        return ""
    if found.values:
        return "; ".join(_pieces(text))
    step = "" if found.step is None else f" step {found.step:.10g}"
    return f"{found.low:.10g} to {found.high:.10g}{step}"


def slopes_text(found: tuple[tuple[str, tuple[int, ...]], ...]) -> str:
    """Families and slopes as they are kept."""
    return "; ".join(f"{FAMILIES[family]} {' '.join(map(str, dbs))}" for family, dbs in found)


def kinds_text(found: tuple[str, ...]) -> str:
    """Kinds of sections as they are kept."""
    return ", ".join(KINDS[kind] for kind in found)
