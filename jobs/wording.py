"""What a job is made of in words: marks, places, wires, filters, moments in the shop's zone.

Numbers, lengths of time and lists are written by `shop.wording`. Rows of the database and frozen
documents are both said here, so that screen, sheet, label and setup name a thing alike.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final, Protocol
from zoneinfo import ZoneInfo

import msgspec
from django.utils.translation import gettext, gettext_noop as kept

from shop.kept_words import told
from shop.program_limits import KINDS
from shop.units import METRES_PER_FOOT, METRES_PER_INCH
from shop.wording import (
    NOTHING as NOTHING,
    TIGHT as TIGHT,
    about as about,
    capital as capital,
    dated as dated,
    day as day,
    duration as duration,
    exact as exact,
    figures_said,
    hertz as hertz,
    hour as hour,
    labelled as labelled,
    listed as listed,
    megabytes as megabytes,
    number as number,
    plural as plural,
    quantity as quantity,
    signed as signed,
    size as size,
    stamp as stamp,
    with_plus as with_plus,
    with_unit as with_unit,
)
from wiring.colours import describe
from wiring.filters.passive_text import passive_text
from wiring.names import (
    FAMILY_NAMES,
    frequency_name,
    kind_words as kind_words,
    speaker_words,
)
from wiring.plan import Passive

FAMILIES: Final = FAMILY_NAMES
speaker: Final = speaker_words

SECTIONS: Final = KINDS
WITH_GAIN: Final = frozenset({"peaking", "low_shelf", "high_shelf"})
"""Kinds of equaliser section that have a gain."""

JOININGS: Final = {
    "single": "",
    "parallel": kept("in parallel"),
    "series": kept("in series"),
    "series_parallel": kept("in series-parallel"),
}


def level(value: float) -> str:
    """A level as it is set, signed: "−3.0 dB", "+0.25 dB"."""
    return with_unit(with_plus(exact(value, 1, 2)), "dB")


def delay(value_ms: float) -> str:
    """A delay as it is set: "1.20 ms", "0.083 ms"."""
    return with_unit(exact(value_ms, 2, 3), "ms")


def mark(part: str, kind: str, number: int, bridged_with: int | None = None) -> str:
    """What a channel is called: "A1.3", "A1.L2" for a line output, "A1.3+4" for a bridged pair."""
    line = "L" if kind == "line" else ""
    return bridged(f"{part}.{line}{number}", bridged_with)


def bridged(name: str, bridged_with: int | None) -> str:
    """A channel's name with the channel it is bridged with: "A1.3+4"."""
    return f"{name}+{bridged_with}" if bridged_with else name


def entry(number: int | None) -> str:
    """An input by its number: "input 2"; which one is not known: "input ?"."""
    return f"input {number or '?'}"


def into_input(part: str, number: int | None) -> str:
    """What a line output feeds: "A1 input 2"."""
    return f"{part} {entry(number)}"


class Placed(Protocol):
    """A speaker of a plan or a row of the job's speakers."""

    @property
    def kind(self) -> str: ...

    @property
    def position(self) -> str: ...


def speakers(listed: Iterable[Placed]) -> str:
    """ "Tweeter, front pillar left; midrange, front door left"."""
    return capital("; ".join(speaker(one.kind, one.position) for one in listed))


def photographed(title: str) -> str:
    """What a photo shows, as it is said now: "Step: refit the trim", and a part by its own name."""
    said = told(title)
    if said == title and title.startswith("Part "):
        return gettext("Part %(which)s") % {"which": title.removeprefix("Part ")}
    return said


def function_said(text: str) -> str:
    """What a pin of a plug carries, as it is said now: "Tweeter, dash left +"; its sign stays."""
    name, sign = (text[:-2], text[-2:]) if text[-2:] in {" +", " -", " −"} else (text, "")
    return "; ".join(map(told, name.split("; "))) + sign


def colour_code(base: str, stripe: str) -> str:
    """A wire's colour by its codes: "BU", "BU/WH" with a stripe."""
    return f"{base}/{stripe}" if stripe else base


def band(middle_hz: float) -> str:
    """A band of a measurement, as the plots' axes name it: "63 Hz", "1.25 kHz"."""
    return frequency_name(middle_hz)


_WITH_UNIT: Final = re.compile(r"(?<=\d) (?=µF|mH|Ω|Hz|dB)")


def speaker_placed(one: Mapping[str, Any]) -> str:
    """A speaker of a signed document, where it is and what stands before it: "Tweeter, dash left,
    behind 9.1 µF"."""
    words = told(capital(speaker(one["kind"], one["position"])))
    if (own := one.get("passive")) is None:
        return words
    parts = {"parts": passive(msgspec.convert(own, Passive))}
    return f"{words}, {gettext('behind %(parts)s') % parts}"


def passive(own: Any) -> str:
    """What stands passively before a speaker: "9.1 µF, 0.3 mH across"."""
    return _WITH_UNIT.sub("\u00a0", passive_text(own))


def slope(order: int) -> str:
    """How steep a filter of this order is: "24 dB/oct"."""
    return quantity(6 * order, "dB/oct")


def filter_facts(facts: Mapping[str, Any], name: str) -> str:
    """A high-pass or low-pass by the fields of its row, `name` with what is yet to be said:
    "80 Hz Bessel 24 dB/oct", "no frequency Bessel no slope"; nothing while nothing is entered."""
    family, order, hz = (facts[f"{name}_{part}"] for part in ("family", "order", "hz"))
    if not (family or order or hz):
        return ""
    parts = [
        hertz(hz) if hz else "no frequency",
        FAMILIES.get(family, "no family"),
        slope(order) if order else "no slope",
    ]
    return " ".join(parts)


def crossover(filter_: Mapping[str, Any] | None) -> dict[str, str] | None:
    """A high-pass or low-pass as corner and kind: "3150 Hz", "Linkwitz-Riley 24" (dB/oct)."""
    if filter_ is None:
        return None
    return {
        "corner": hertz(filter_["frequency_hz"]),
        "kind": f"{FAMILIES[filter_['family']]} {6 * filter_['order']}",
    }


def section(one: Mapping[str, Any]) -> str:
    """One equaliser section: "peak 250 Hz, −3.0 dB, Q 1.4"."""
    gain = one.get("gain_db", 0.0)
    text = f"{told(SECTIONS[one['kind']])} {hertz(one['frequency_hz'])}"
    if one["kind"] in WITH_GAIN:
        text += f", {level(gain)}"
    return f"{text}, Q {number(one.get('q', 0.707))}"


def lead(one: Mapping[str, Any] | None) -> dict[str, str]:
    """One wire at a plug: its cavity, its colour in words and as a code, and the codes apart."""
    one = one or {}
    base, stripe = one.get("base", ""), one.get("stripe", "")
    return {
        "cavity": one.get("cavity", ""),
        "colour": told(describe(base, stripe).partition(" (")[0]),
        "code": colour_code(base, stripe),
        "base": base,
        "stripe": stripe,
    }


def conductor(run: Mapping[str, Any]) -> str:
    """A cable: "4 AWG copper, 105 °C", "2 × 25 mm² solid copper, 105 °C"; flexible goes unsaid."""
    one = run["conductor"]
    text = cable(
        one["size"],
        one.get("metal", "copper"),
        run.get("parallel", 1),
        one.get("stranding", "flexible"),
    )
    return f"{text}, {quantity(one.get('insulation_c', 105.0), '°C')}"


def cable(gauge: str, metal_name: str, parallel: int = 1, stranding: str = "flexible") -> str:
    """A cable without its insulation: "2 × 25 mm² solid copper"."""
    lay = "" if stranding == "flexible" else f" {told(stranding)}"
    return f"{times(parallel)}{figures_said(size(gauge))}{lay} {metal(metal_name)}"


def metal(name: str) -> str:
    """What a conductor is made of: "copper", "copper-clad aluminium"."""
    return told(name.replace("_", " ").replace("copper clad", "copper-clad"))


def fuse(rating_a: float | None, body: str) -> str:
    """A fuse: "60 A midi"."""
    return f"{quantity(rating_a, 'A')} {told(body)}".strip()


def times(count: int) -> str:
    """ "2 × " before what there is several of, nothing before a single one."""
    return f"{count} × " if count > 1 else ""


def odometer(count: int, unit: str) -> str:
    """ "88 410 km", "54 930 miles"."""
    return quantity(count, {"km": "km", "mi": gettext("miles")}.get(unit, unit), 0)


@dataclass(frozen=True)
class Local:
    """How this shop writes lengths and moments, as frozen with the sheet."""

    units: str
    time_zone: str

    @property
    def us(self) -> bool:
        return self.units == "us"

    def length(self, value_m: float | None) -> str:
        """A cable length in metres or feet."""
        if self.us and value_m is not None:
            return quantity(value_m / METRES_PER_FOOT, "ft", 1)
        return quantity(value_m, "m", 2)

    def distance(self, value_m: float | None) -> str:
        """A short distance in metres or inches."""
        if self.us and value_m is not None:
            return quantity(value_m / METRES_PER_INCH, "in", 0)
        return quantity(value_m, "m", 2)

    def speaker_cable(self, one: Mapping[str, Any]) -> str:
        """The speaker cable of a channel: "2.5 mm² copper, 4.00 m, fuse 15 A"."""
        parts = [cable(one["size"], one.get("metal", "copper")), self.length(one["length_m"])]
        if one.get("fuse_a"):
            rated = {"rating": quantity(one["fuse_a"], "A")}
            parts.append(gettext("fuse %(rating)s") % rated)
        return ", ".join(parts)

    def moment(self, iso: str | None) -> str:
        """Day and time in the shop's zone: "25 Nov 2026, 14:05"."""
        if not iso:
            return ""
        return stamp(datetime.fromisoformat(iso), ZoneInfo(self.time_zone))

    def hour(self, iso: str | None) -> str:
        """The time alone, in the shop's zone: "14:05"."""
        return "" if not iso else hour(datetime.fromisoformat(iso), ZoneInfo(self.time_zone))

    def day(self, iso: str | None) -> str:
        """A day without its time: "25 Nov 2026"."""
        if not iso:
            return ""
        if len(iso) == 10:
            return day(date.fromisoformat(iso))
        return day(datetime.fromisoformat(iso), ZoneInfo(self.time_zone))


def apart(percent: float | None) -> str:
    """How far a reading is from what was worked out: "15 % lower"; empty where nothing was read."""
    if percent is None:
        return ""
    off = round(percent - 100)
    if off == 0:
        return gettext("as worked out")
    by = {"percent": quantity(abs(off), "%")}
    return (
        gettext("%(percent)s\u00a0higher") if off > 0 else gettext("%(percent)s\u00a0lower")
    ) % by
