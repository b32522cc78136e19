"""The columns of a product file: what each is called, which heading means it, how a cell reads.

A column key is a field of Product, "kind", or a rated power: `rating:4` is the power of one channel
into 4 Ω, `rating:4:bridged` that of a bridged pair.
"""

import re
from collections.abc import Iterable, Sequence
from decimal import Decimal
from functools import lru_cache
from typing import Any, Final

from django.core.exceptions import FieldDoesNotExist
from django.db import models

from shop.catalogue.product_forms import BASICS, EVERY_FIELD, GROUPS, LABELS
from shop.catalogue.spreadsheets import Cell, number_text
from shop.models import Product, ProductKind
from shop.models.products import REQUIRED_FIGURES
from shop.wording import quantity

Ratings = dict[tuple[float, bool], float]
"""Rated powers in W by load in Ω and whether bridged."""

KIND: Final = "kind"
USUAL_LOADS_OHM: Final = (8.0, 4.0, 3.0, 2.0, 1.0)
BRIDGED: Final = "bridged"

_SYNONYMS: Final[dict[str, tuple[str, ...]]] = {
    KIND: ("type", "category", "product kind", "product type"),
    "maker": ("brand", "manufacturer", "make", "supplier"),
    "name": ("model", "product", "product name", "title", "description", "item"),
    "part_number": ("part no", "part", "sku", "article", "article number", "item number", "code"),
    "price": ("retail", "retail price", "list price", "selling price", "rrp", "price each"),
    "cost": ("cost price", "purchase price", "buying price", "net price", "trade price", "net"),
    "note": ("notes", "remark", "remarks", "comment", "comments"),
    "discontinued": ("no longer made", "obsolete", "end of life"),
    "amplifier_channels": ("channels", "amp channels", "number of channels"),
    "line_outputs": ("outputs", "rca outputs", "pre outs"),
    "line_inputs": ("inputs", "rca inputs"),
    "speaker_inputs": ("speaker level inputs", "high level inputs"),
    "optical_inputs": ("optical", "optical digital inputs"),
    "coaxial_inputs": ("coaxial inputs", "coax inputs"),
    "network_inputs": ("network inputs", "network audio"),
    "amplifier_class": ("class", "amp class"),
    "efficiency": ("efficiency at full output", "efficiency at full power"),
    "min_load_ohm": ("min load", "minimum load", "min impedance", "minimum impedance"),
    "min_load_bridged_ohm": (
        "min load bridged",
        "minimum load bridged",
        "minimum impedance bridged",
        "min impedance bridged",
    ),
    "bridgeable": ("bridgeable channels", "bridging", "bridgeable pairs"),
    "idle_current_a": ("idle", "idle draw", "quiescent current"),
    "min_supply_v": ("min supply", "minimum supply", "minimum voltage", "undervoltage"),
    "rated_supply_v": ("rated supply", "rated voltage", "supply voltage"),
    "max_supply_v": ("max supply", "maximum supply", "maximum voltage"),
    "output_v": ("output voltage of a converter", "gives"),
    "rated_current_a": ("rated current", "maximum current", "max current"),
    "battery_chemistry": ("chemistry", "battery kind", "battery type"),
    "built_in_fuses": ("built in fuses", "onboard fuses", "internal fuses"),
    "output_protected": ("output protection", "short circuit protection"),
    "trigger_input_a": ("remote input current", "trigger input"),
    "trigger_outputs": ("remote outputs", "trigger outputs"),
    "trigger_output_a": ("remote output current", "trigger output"),
    "turn_on": ("turn on", "turn on by", "remote"),
    "sample_rate_hz": ("sample rate", "sampling rate"),
    "delay_step_ms": ("delay step", "delay resolution"),
    "max_sections": ("eq bands", "eq sections", "bands per channel"),
    "typed_by": ("typed by", "order of settings"),
    "level_steps": ("levels", "level range"),
    "delay_unit": ("delay unit",),
    "delay_steps": ("delays", "delay range"),
    "delay_speed_m_s": ("speed of sound",),
    "crossover_steps": ("crossover frequencies", "crossover range"),
    "crossover_slopes": ("crossover filters", "crossover slopes", "slopes"),
    "section_steps": ("eq frequencies",),
    "section_gain_steps": ("eq gains", "eq gain range"),
    "width_counted": ("eq width", "q or bandwidth"),
    "section_width_steps": ("eq widths", "q range", "bandwidth range"),
    "section_kinds": ("eq kinds", "filter kinds"),
    "line_output_v": ("line output", "output voltage", "rca output voltage"),
    "input_max_v": ("max input", "maximum input", "highest input voltage"),
    "speaker_kind": ("speaker kind", "speaker type", "driver type"),
    "impedance_ohm": ("impedance", "coil impedance", "nominal impedance"),
    "coils": ("voice coils", "number of coils"),
    "power_w": ("power", "rms power", "power handling", "rated power", "power rating"),
    "min_high_pass_hz": ("min high pass", "lowest high pass", "high pass", "safe high pass"),
    "max_low_pass_hz": ("max low pass", "highest low pass", "low pass"),
    "box_limit_hz": ("box tuning", "port tuning", "vented box tuned to"),
    "cable_size": ("size", "gauge", "cross section", "cable gauge"),
    "cable_metal": ("metal", "conductor", "conductor material"),
    "insulation_c": ("insulation", "insulation class", "temperature rating"),
    "fuse_body": ("body", "fuse type", "fuse family"),
    "fuse_rating_a": ("fuse", "rating", "amps", "fuse size"),
}
_UNIT_ENDS: Final = re.compile(
    r"[\s,(\[]+(?:[ωvawc%]|°c|ohms?|volts?|amps?|watts?|hz|ms|0–1)[)\]]*$"
)
_RATING: Final = re.compile(r"(\d+(?:[.,]\d+)?)\s*(?:ω|ohms?\b)")
_POWER_WORDS: Final = re.compile(r"\b(?:w|watts?|rms|power|output)\b")
_BRIDGE_WORDS: Final = re.compile(r"\bbridge")
_UNITS: Final = re.compile(
    r"\s*(?:[ΩΩω]|ohms?|v(?:olts?)?|a(?:mps?)?|w(?:atts?)?|hz|ms|°?\s*c|db/oct)$", re.IGNORECASE
)
_CURRENCY: Final = re.compile(r"^[£$€¥]\s*|\s*[£$€¥]$")
_TRUE: Final = frozenset({"yes", "y", "true", "1", "x", "✓"})
_FALSE: Final = frozenset({"no", "n", "false", "0", "-", "–"})


class WrongCell(ValueError):
    """Why a cell is not understood, as a sentence."""


# Keys and headings -------------------------------------------------------------------------------


def rating_key(load_ohm: float, bridged: bool) -> str:
    """The column of one rated power."""
    return f"rating:{number_text(load_ohm)}" + (f":{BRIDGED}" if bridged else "")


def rating_of(key: str) -> tuple[float, bool] | None:
    """Load in Ω and whether bridged, or None when the key is no rated power."""
    start, _, rest = key.partition(":")
    load, _, end = rest.partition(":")
    if start != "rating" or end not in ("", BRIDGED):
        return None
    try:
        load_ohm = float(load)
    except ValueError:
        return None
    return (load_ohm, end == BRIDGED) if 0.1 <= load_ohm <= 100 else None


def rating_label(load_ohm: float, bridged: bool) -> str:
    """What a rated power is called on the screen: "Power bridged into 4 Ω"."""
    return f"Power{' bridged' if bridged else ''} into {quantity(load_ohm, 'Ω')}"


@lru_cache(maxsize=512)
def heading_of(key: str) -> str:
    """What a column is called in a file that we write, and on the screen."""
    if rating := rating_of(key):
        load_ohm, bridged = rating
        return f"W {'bridged ' if bridged else ''}at {number_text(load_ohm)} ohm"
    if key == KIND:
        return "Kind"
    label = LABELS.get(key) or str(getattr(field_of(key), "verbose_name", key))
    return label[0].upper() + label[1:]


def is_column(key: str) -> bool:
    """Whether a key names a column at all."""
    return key == KIND or key in EVERY_FIELD or rating_of(key) is not None


def _bare(heading: str) -> str:
    """A heading without case, punctuation and unit."""
    text = heading.casefold().replace("_", " ").replace("-", " ").strip()
    text = _UNIT_ENDS.sub("", text) or text
    return " ".join(re.sub(r"[^\w]+", " ", text).split())


@lru_cache(maxsize=1)
def _meanings() -> dict[str, str]:
    meanings: dict[str, str] = {}
    for key in (KIND, *EVERY_FIELD):
        names = (heading_of(key), key, *_SYNONYMS.get(key, ()))
        for name in names:
            meanings.setdefault(name.casefold(), key)
        for name in names:
            meanings.setdefault(_bare(name), key)
    return meanings


def guess(heading: str) -> str:
    """The column a heading most likely means, "" when none."""
    meanings = _meanings()
    if key := meanings.get(heading.strip().casefold()):
        return key
    text = heading.casefold()
    load = _RATING.search(text)
    if load and _POWER_WORDS.search(text) and not text.startswith("min"):
        number = load[1].replace(",", ".")
        key = rating_key(float(number), bool(_BRIDGE_WORDS.search(text)))
        return key if rating_of(key) else ""
    return meanings.get(_bare(heading), "")


def guesses(headings: Sequence[str]) -> list[str]:
    """The column of each heading; one that is taken already is left to the person."""
    keys: list[str] = []
    for heading in headings:
        key = guess(heading)
        keys.append("" if key in keys else key)
    return keys


def counted_for(kind: str) -> frozenset[str]:
    """The fields that count for a kind."""
    return frozenset(BASICS) | {name for _, names in GROUPS[kind] for name in names}


def likely_kind(keys: Iterable[str]) -> str:
    """The kind whose figures these columns are, "" when they could be several."""
    own = {key for key in keys if key and key not in BASICS and key != KIND}
    if any(rating_of(key) for key in own):
        return ProductKind.AMPLIFIER
    if not own:
        return ""
    fits = {kind: len(own & counted_for(kind)) for kind in ProductKind.values}
    best = max(fits.values())
    likely = [kind for kind, count in fits.items() if count == best]
    return likely[0] if best and len(likely) == 1 else ""


def columns_for(kind: str = "", ratings: Iterable[tuple[float, bool]] = ()) -> list[str]:
    """The columns of a file of one kind, or of all kinds together."""
    kinds = [kind] if kind else list(ProductKind.values)
    names = [name for one in kinds for _, group in GROUPS[one] for name in group]
    rated = sorted(set(ratings), key=lambda rating: (rating[1], -rating[0]))
    powers = [rating_key(*rating) for rating in rated]
    return [KIND, *BASICS, *dict.fromkeys(names), *powers]


def is_needed(key: str, kind: str) -> bool:
    """Whether a file of this kind should have the column filled."""
    required = REQUIRED_FIGURES.get(ProductKind(kind), ())
    return key in {KIND, "maker", "name", *required} or (
        rating_of(key) is not None and key == rating_key(4.0, False)
    )


# Cells -------------------------------------------------------------------------------------------


def field_of(key: str) -> "models.Field[Any, Any] | None":
    """The field of Product a column stands for."""
    try:
        field = Product._meta.get_field(key)
    except FieldDoesNotExist:
        return None
    return field if isinstance(field, models.Field) else None


def cell_of(product: Product, key: str) -> Cell:
    """What a file says of one figure of a product; empty where it does not count."""
    if key == KIND:
        return product.get_kind_display()
    if key not in counted_for(product.kind):
        return None
    value = getattr(product, key)
    if isinstance(value, Decimal):
        return float(value)
    if value and getattr(field_of(key), "choices", None):
        return str(getattr(product, f"get_{key}_display")())
    return None if value == "" else value


def read_cell(key: str, text: str, decimal_comma: bool = False) -> Any:
    """A cell that is not empty, as the value the product's form takes. Raises WrongCell."""
    if rating_of(key):
        return read_number(text, decimal_comma)
    field = field_of(key)
    if isinstance(field, models.BooleanField):
        return _yes(text)
    if choices := getattr(field, "choices", None):
        return _choice(text, choices)
    if isinstance(field, models.DecimalField):
        return read_number(_CURRENCY.sub("", text), decimal_comma)
    if isinstance(field, models.FloatField) and text.endswith("%") and key == "efficiency":
        return str(Decimal(read_number(text[:-1], decimal_comma)) / 100)
    if isinstance(field, models.FloatField | models.IntegerField):
        return read_number(text, decimal_comma)
    return text


def _yes(text: str) -> bool:
    if text.casefold() in _TRUE:
        return True
    if text.casefold() in _FALSE:
        return False
    raise WrongCell(f"“{_short(text)}” is neither Yes nor No.")


def _choice(text: str, choices: Iterable[tuple[Any, Any]]) -> str:
    wanted = _bare(text)
    for value, label in choices:
        if wanted in {_bare(str(value)), _bare(str(label))}:
            return str(value)
    known = ", ".join(str(label) for _, label in choices)
    raise WrongCell(f"“{_short(text)}” is none of {known}.")


def read_number(text: str, decimal_comma: bool = False) -> str:
    """A number as text with a decimal point: grouping, blanks and a unit are taken off.

    The other mark is read as grouping where it parts thousands, and as the decimal mark where it
    cannot (0,125 or 4,5), whatever the file's own mark is. Raises WrongCell.
    """
    bare = _UNITS.sub("", text.strip())
    bare = re.sub(r"(?<=\d)[\s\u00a0\u2009\u202f'’](?=\d{3})", "", bare)
    mark, other = (",", ".") if decimal_comma else (".", ",")
    grouped = re.fullmatch(rf"-?[1-9]\d{{0,2}}(?:{re.escape(other)}\d{{3}})+({mark}\d+)?", bare)
    if grouped:
        bare = bare.replace(other, "")
    elif bare.count(other) == 1 and mark not in bare:
        bare = bare.replace(other, ".")
    plain = bare.replace(",", ".")
    if not re.fullmatch(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?", plain, re.ASCII):
        raise WrongCell(f"“{_short(text)}” is no number.")
    return plain


def _short(text: str) -> str:
    return text if len(text) <= 30 else f"{text[:29]}…"
