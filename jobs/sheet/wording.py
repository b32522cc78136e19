"""Values in words: numbers with units, moments in the shop's zone, wires and filters as said."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

from shop.units import METRES_PER_FOOT, METRES_PER_INCH
from wiring.colours import describe

NOTHING: Final = "–"
TIGHT: Final = "\u00a0"
"""The space between a number and its unit, at which no line breaks."""

MINUS: Final = "−"
FAMILIES: Final = {
    "butterworth": "Butterworth",
    "linkwitz_riley": "Linkwitz-Riley",
    "bessel": "Bessel",
}
SECTIONS: Final = {
    "peaking": "peak",
    "low_shelf": "low shelf",
    "high_shelf": "high shelf",
    "notch": "notch",
    "all_pass": "all-pass",
    "low_pass": "low-pass",
    "high_pass": "high-pass",
}
JOININGS: Final = {
    "single": "",
    "parallel": "in parallel",
    "series": "in series",
    "series_parallel": "in series-parallel",
}


def number(value: float | None, decimals: int | None = None) -> str:
    """A number with a true minus; without `decimals` up to four significant digits."""
    if value is None:
        return NOTHING
    text = f"{value:.{decimals}f}" if decimals is not None else f"{value:.4g}"
    if "e" in text:
        text = f"{value:.0f}"
    return text.replace("-", MINUS)


def quantity(value: float | None, unit: str, decimals: int | None = None) -> str:
    """A number with its unit, or a dash."""
    return NOTHING if value is None else f"{number(value, decimals)}{TIGHT}{unit}"


def hertz(value: float | None) -> str:
    """A frequency in Hz."""
    return quantity(value, "Hz")


def level(value: float) -> str:
    """A level in dB, signed."""
    return f"{'+' if value > 0 else ''}{number(value, 1)}{TIGHT}dB"


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
    said = f"{SECTIONS[one['kind']]} {hertz(one['frequency_hz'])}"
    if one["kind"] in {"peaking", "low_shelf", "high_shelf"}:
        said += f", {level(gain)}"
    return f"{said}, Q {number(one.get('q', 0.707))}"


def lead(one: Mapping[str, Any] | None) -> dict[str, str]:
    """One wire at a plug: its cavity, its colour in words and as a code, and the codes apart."""
    one = one or {}
    base, stripe = one.get("base", ""), one.get("stripe", "")
    return {
        "cavity": one.get("cavity", ""),
        "colour": describe(base, stripe).partition(" (")[0],
        "code": f"{base}/{stripe}" if stripe else base,
        "base": base,
        "stripe": stripe,
    }


def conductor(run: Mapping[str, Any]) -> str:
    """A cable: "4 AWG copper, 105 °C", "2 × 25 mm² solid copper, 105 °C"; flexible goes unsaid."""
    one = run["conductor"]
    count = run.get("parallel", 1)
    size = one["size"].replace("mm2", "mm²")
    metal = one.get("metal", "copper").replace("_", " ").replace("copper clad", "copper-clad")
    strands = one.get("stranding", "flexible")
    lay = "" if strands == "flexible" else f" {strands}"
    times = f"{count} × " if count > 1 else ""
    return f"{times}{size}{lay} {metal}, {number(one.get('insulation_c', 105.0))}{TIGHT}°C"


def plural(count: int, one: str, many: str = "") -> str:
    """ "1 stop", "3 stops"."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def capital(text: str) -> str:
    """The first letter as a capital, the rest as it is."""
    return text[:1].upper() + text[1:]


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

    def moment(self, iso: str | None) -> str:
        """Day and time in the shop's zone: "25 Nov 2026, 14:05"."""
        if not iso:
            return ""
        at = datetime.fromisoformat(iso).astimezone(ZoneInfo(self.time_zone))
        return f"{at.day} {at:%b %Y, %H:%M}"

    def day(self, iso: str | None) -> str:
        """A day without its time: "25 November 2026"."""
        if not iso:
            return ""
        if len(iso) == 10:
            at = date.fromisoformat(iso)
        else:
            at = datetime.fromisoformat(iso).astimezone(ZoneInfo(self.time_zone)).date()
        return f"{at.day} {at:%B %Y}"
