"""Passive parts as a line of text, the way they stand on a note: "9.1 µF, 0.3 mH across, reversed".

Parts are in order from the channel to the speaker, apart by commas; `across` stands behind a part
that lies across the speaker, and values of one part are joined by `+`: "0.3 mH + 0.2 Ω". Where
only the corners are known they are written instead: "high-pass 3000 Hz 12 dB/oct". `not known`
says that there is something, of which nothing more is known.
"""

import re
from functools import lru_cache
from typing import Final

from wiring.errors import WiringError
from wiring.filters.crossovers import FAMILY_NAMES, describe, require
from wiring.plan import Crossover, FilterFamily, Passive, PassivePart

NOT_KNOWN: Final = "not known"
REVERSED: Final = "reversed"
ACROSS: Final = "across"
MOST_PARTS: Final = 12
_VALUE: Final = re.compile(r"([\d]+(?:[.,]\d+)?|[.,]\d+)\s*([a-zµμωΩΩ]+)", re.IGNORECASE)
_UNITS: Final[dict[str, tuple[str, int]]] = {
    "µf": ("capacitance_f", -6), "μf": ("capacitance_f", -6), "uf": ("capacitance_f", -6),
    "nf": ("capacitance_f", -9), "mh": ("inductance_h", -3), "µh": ("inductance_h", -6),
    "μh": ("inductance_h", -6), "uh": ("inductance_h", -6), "ω": ("resistance_ohm", 0),
    "ohm": ("resistance_ohm", 0), "ohms": ("resistance_ohm", 0), "r": ("resistance_ohm", 0),
}  # fmt: skip
_CORNER: Final = re.compile(
    r"(high|low)[\s-]?pass\s+([\d.,]+)\s*(k?)hz\s*(?:(butterworth|linkwitz-riley|bessel)\s*)?"
    r"(?:(\d+)\s*db(?:\s*/\s*oct)?)?",
    re.IGNORECASE,
)
_ADVICE: Final = (
    "write values like “9.1 µF, 0.3 mH across” or corners like “high-pass 3000 Hz 12 dB/oct”"
)
_FAMILIES: Final[dict[str, FilterFamily]] = {
    name.lower(): family for family, name in FAMILY_NAMES.items()
}


class PassiveTextError(WiringError):
    """The text names no passive parts; the reason says which piece of it."""


@lru_cache(maxsize=512)
def read_passive(text: str) -> Passive | None:
    """The passive parts a text names, None for an empty one. Raises PassiveTextError."""
    parts: list[PassivePart] = []
    corners: dict[str, Crossover] = {}
    inverted = False
    if not text.strip():
        return None
    for piece in _pieces(text):
        plain = piece.lower()
        if plain == REVERSED:
            inverted = True
        elif corner := _CORNER.fullmatch(plain):
            way = f"{corner[1]}_pass"
            if way in corners:
                raise PassiveTextError("passive", f"{way.replace('_', '-')} stands there twice")
            corners[way] = _corner(corner, piece)
        elif plain != NOT_KNOWN:
            parts.append(_part(piece))
    if parts and corners:
        raise PassiveTextError("passive", "values and corners do not go together: values say all")
    if len(parts) > MOST_PARTS:
        raise PassiveTextError("passive", f"more than {MOST_PARTS} parts")
    return Passive(tuple(parts), corners.get("high_pass"), corners.get("low_pass"), inverted)


def _pieces(text: str) -> list[str]:
    """The text in pieces: a comma between digits is a decimal one."""
    plain = text.replace("\u00a0", " ").replace("−", "-").replace(";", ",")
    pieces = re.split(r",(?!\d)|(?<!\d),", plain)
    return [piece.strip() for piece in pieces if piece.strip()]


def _number(text: str, piece: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise PassiveTextError("passive", f"“{piece}” has no number: {_ADVICE}") from None


def _corner(found: re.Match[str], piece: str) -> Crossover:
    order = int(found[5] or 6) / 6
    frequency = _number(found[2], piece) * (1000 if found[3] else 1)
    family = _FAMILIES[found[4] or "butterworth"]
    if order != int(order) or not 10 <= frequency <= 40_000:
        raise PassiveTextError("passive", f"“{piece}” is no corner: {_ADVICE}")
    try:
        require(family, int(order))
    except WiringError as error:
        raise PassiveTextError("passive", f"“{piece}”: {error.reason}") from None
    return Crossover(family, int(order), frequency)


def _part(piece: str) -> PassivePart:
    words = piece.lower()
    across = words.endswith(ACROSS)
    values: dict[str, float] = {}
    for one in words.removesuffix(ACROSS).split("+"):
        found = _VALUE.fullmatch(one.strip())
        unit = _UNITS.get(found[2].replace("Ω", "ω").replace("Ω", "ω")) if found else None
        if found is None or unit is None:
            raise PassiveTextError("passive", f"“{piece}” is no passive part: {_ADVICE}")
        field, power = unit
        if field in values:
            raise PassiveTextError("passive", f"“{piece}” has two values of one kind")
        values[field] = float(f"{_number(found[1], piece):.12g}e{power}")
    limits = {"capacitance_f": (1e-9, 1.0), "inductance_h": (1e-9, 10.0)}
    for field, value in values.items():
        low, high = limits.get(field, (1e-3, 10_000.0))
        if not low <= value <= high:
            raise PassiveTextError("passive", f"“{piece}” is no value of a passive part")
    return PassivePart("across" if across else "series", **values)


def passive_text(own: Passive | None) -> str:
    """The line that `read_passive` reads as the same parts; empty for none."""
    if own is None:
        return ""
    pieces = [_part_text(part) for part in own.parts]
    if not own.parts:
        for crossover, words in ((own.high_pass, "high-pass"), (own.low_pass, "low-pass")):
            if crossover is not None:
                pieces.append(f"{words} {describe(crossover)}")
    if not pieces:
        pieces.append(NOT_KNOWN)
    if own.inverted:
        pieces.append(REVERSED)
    return ", ".join(pieces)


def _part_text(part: PassivePart) -> str:
    values = [
        f"{float(f'{value * scale:.10g}'):.10g} {unit}"
        for value, scale, unit in (
            (part.capacitance_f, 1e6, "µF"),
            (part.inductance_h, 1e3, "mH"),
            (part.resistance_ohm, 1.0, "Ω"),
        )
        if value is not None
    ]
    return " + ".join(values) + (f" {ACROSS}" if part.place == "across" else "")
