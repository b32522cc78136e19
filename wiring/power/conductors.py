"""Conductors: sizes, resistance at temperature, and the current a size may carry.

American gauges follow ASTM B258: diameter = 0.127 mm x 92^((36 - n) / 39). Metric sizes have the
greatest resistance of IEC 60228 for their lay; those that only road vehicles know (20, 30, 40,
60 mm2 and others) that of ISO 6722-1 for every lay. Allowed current is
33 CFR 183.425 Table 5; a size between the table's gauges takes the next smaller gauge, a size
under it the heat balance of `wiring.power.heat`.
"""

from functools import lru_cache
from math import pi, sqrt
from typing import Final, NamedTuple

from wiring import tables
from wiring.errors import WiringError, require_positive
from wiring.power.heat import heat_balance_a

AMPACITY: Final = tables.load("ampacity")
CONDUCTORS: Final = tables.load("conductors")

TABLE_SOURCE: Final[str] = AMPACITY["source"]
TABLE_AMBIENT_C: Final[float] = AMPACITY["reference_ambient_c"]
GAUGE_SOURCE: Final = "ASTM B258-18 area; IEC 60028:1925 copper"
METRIC_SOURCE: Final[str] = CONDUCTORS["resistance_source"]
ROAD_VEHICLE_SOURCE: Final[str] = CONDUCTORS["road_vehicle_source"]
INSULATION_C: Final[tuple[float, ...]] = tuple(AMPACITY["insulation_c"])
COPPER_OHM_MM2_PER_M: Final[float] = CONDUCTORS["metals"]["copper"]["resistivity_ohm_mm2_per_m"]


class ConductorError(WiringError):
    """A size is not known, or a condition is outside what the tables answer for."""


class Size(NamedTuple):
    """A conductor size. `gauge` is the AWG number (0 for 1/0, -3 for 4/0), None for metric.

    `mohm_per_m` is the greatest resistance of a metric size by lay: stranded or solid, flexible.
    `source` says where its resistance is from.
    """

    label: str
    area_mm2: float
    diameter_mm: float
    gauge: int | None
    wall_mm: float
    mohm_per_m: tuple[float, ...]
    source: str

    @property
    def common(self) -> bool:
        """Whether shops have it on the shelf: common practice, no source."""
        return self.label not in _SELDOM


def gauge_diameter_mm(gauge: int) -> float:
    """Diameter of the solid conductor of an American gauge [mm], ASTM B258."""
    return float(0.127 * 92.0 ** ((36 - gauge) / 39))


def _wall_mm(area_mm2: float) -> float:
    """Insulation wall of the smallest metric size not under this area [mm]."""
    for row in CONDUCTORS["rows"]:
        if row[0] >= area_mm2 * 0.999:
            return float(row[-1])
    raise ConductorError("area_mm2", f"{area_mm2:g} mm2 is over the largest size")


def _gauge_label(gauge: int) -> str:
    return f"{1 - gauge}/0 AWG" if gauge <= 0 else f"{gauge} AWG"


def _make_gauge(gauge: int) -> Size:
    diameter = gauge_diameter_mm(gauge)
    area = pi / 4 * diameter**2
    label = _gauge_label(gauge)
    return Size(label, area, diameter, gauge, _wall_mm(area), (), GAUGE_SOURCE)


def _make_metric(area: float, mohm_per_m: tuple[float, ...], source: str) -> Size:
    diameter = sqrt(4 * area / pi)
    return Size(f"{area:g} mm2", area, diameter, None, _wall_mm(area), mohm_per_m, source)


def _metric() -> list[Size]:
    sizes = [_make_metric(row[0], tuple(row[1:3]), METRIC_SOURCE) for row in CONDUCTORS["rows"]]
    for area, mohm in CONDUCTORS["road_vehicle_rows"]:
        sizes.append(_make_metric(area, (mohm, mohm), ROAD_VEHICLE_SOURCE))
    return sorted(sizes, key=lambda each: each.area_mm2)


_SELDOM: Final[frozenset[str]] = frozenset(CONDUCTORS["seldom_on_a_shelf"])
GAUGES: Final[tuple[Size, ...]] = tuple(
    _make_gauge(gauge)
    for gauge in (22, 20, 18, 16, 14, 13, 12, 11, 10, 9, 8, 7, 6, 5, 4, 3, 2, 1, 0, -1, -2, -3)
)
METRIC: Final[tuple[Size, ...]] = tuple(_metric())
SIZES: Final[dict[str, Size]] = {each.label: each for each in (*GAUGES, *METRIC)}
_TABLED: Final[tuple[tuple[Size, tuple[float, ...]], ...]] = tuple(
    (SIZES[f"{gauge} AWG"], tuple(row)) for gauge, row in AMPACITY["ampere"].items()
)


@lru_cache(maxsize=1024)
def size(label: str) -> Size:
    """The size of that name, as "4 AWG", "1/0 AWG" or "25 mm2". Raises ConductorError.

    Capitals, spaces, "mm²" and "0000" for "4/0" make no difference.
    """
    text = label.strip().lower().replace("²", "2").replace(",", ".")
    if text.endswith("mm2"):
        try:
            key = f"{float(text[:-3]):g} mm2"
        except ValueError:
            key = ""
    elif text.endswith("awg"):
        gauge = text[:-3].strip()
        if gauge and not gauge.strip("0"):
            gauge = f"{len(gauge)}/0"
        key = f"{gauge} AWG"
    else:
        key = ""
    known = SIZES.get(key)
    if known is None:
        raise ConductorError(
            "size",
            f"{label!r} is no known size: use '22 AWG' to '4/0 AWG', or '0.35 mm2' to '120 mm2' "
            "(IEC 60228 and ISO 6722-1 sizes)",
        )
    return known


@lru_cache(maxsize=1024)
def resistance_20_ohm_per_m(
    label: str, metal: str = "copper", stranding: str = "flexible"
) -> float:
    """Resistance per metre of conductor at 20 degC [ohm/m], DC.

    A gauge: resistivity / ASTM B258 area x stranding factor. A metric size: the greatest
    resistance IEC 60228 allows for the lay, or ISO 6722-1 for a size of its own. Copper-clad
    aluminium: the copper figure times the ratio of resistivities.
    """
    chosen = size(label)
    try:
        resistivity = CONDUCTORS["metals"][metal]["resistivity_ohm_mm2_per_m"]
        lay = CONDUCTORS["stranding"][stranding]
    except KeyError as error:
        raise ConductorError("conductor", f"{error.args[0]!r} is no known metal or lay") from None
    if chosen.gauge is None:
        per_metre = chosen.mohm_per_m[lay["metric_column"] - 1] / 1000
        return float(per_metre * resistivity / COPPER_OHM_MM2_PER_M)
    return float(resistivity / chosen.area_mm2 * lay["factor"])


def temperature_factor(metal: str, conductor_c: float) -> float:
    """Resistance at a conductor temperature over that at 20 degC: 1 + a (T - 20)."""
    return 1.0 + temperature_coefficient(metal) * (conductor_c - 20.0)


def temperature_coefficient(metal: str) -> float:
    """Rise of resistance per kelvin, referred to 20 degC [1/K]."""
    return _COEFFICIENTS[metal]


_COEFFICIENTS: Final[dict[str, float]] = {
    name: each["temperature_coefficient_per_k"] for name, each in CONDUCTORS["metals"].items()
}


def estimate_a(chosen: Size, insulation_c: float) -> float:
    """Heat-balance estimate for a copper conductor at the table's 30 degC ambient [A]."""
    per_metre = resistance_20_ohm_per_m(chosen.label) * temperature_factor("copper", insulation_c)
    return heat_balance_a(
        conductor_mm=chosen.diameter_mm,
        wall_mm=chosen.wall_mm,
        ohm_per_m=per_metre,
        conductor_c=insulation_c,
        ambient_c=TABLE_AMBIENT_C,
    )


class Ampacity(NamedTuple):
    """Current a conductor may carry without end [A], and the steps to it.

    `basis` is "table" (the gauge is in the table), "next smaller gauge" or "estimate" (heat
    balance). `gauge` and `column_c` say which cell was read.
    """

    current_a: float
    basis: str
    base_a: float
    gauge: str
    column_c: float
    ambient_factor: float
    bundle_factor: float
    metal_factor: float


def ambient_factor(insulation_c: float, ambient_c: float) -> float:
    """Correction of allowed current for the air around [1]: sqrt((Ti - Ta) / (Ti - 30)).

    At 50 degC this is note 1 of the table within its rounding. Never above 1: cold air buys
    nothing here. Raises ConductorError when the air is as hot as the insulation may be.
    """
    if ambient_c >= insulation_c:
        raise ConductorError(
            "insulation_c",
            f"insulation for {insulation_c:g} degC has no current to spare in {ambient_c:g} degC",
        )
    if ambient_c <= TABLE_AMBIENT_C:
        return 1.0
    return sqrt((insulation_c - ambient_c) / (insulation_c - TABLE_AMBIENT_C))


def bundle_factor(bundled: int) -> float:
    """Correction for so many loaded conductors lying together [1], note 2 of the table."""
    if bundled < 1:
        raise ConductorError("bundled", f"{bundled} conductors is fewer than the one meant")
    reduction = 1.0
    for least, factor in zip(
        AMPACITY["note_2_bundle"]["at_least"], AMPACITY["note_2_bundle"]["factor"], strict=True
    ):
        if bundled >= least:
            reduction = factor
    return reduction


@lru_cache(maxsize=4096)
def ampacity(
    label: str,
    metal: str = "copper",
    insulation_c: float = 105.0,
    ambient_c: float = 30.0,
    bundled: int = 1,
) -> Ampacity:
    """Current a conductor may carry without end [A]. Raises ConductorError outside validity.

    The column of the insulation temperature is read, or the next lower one. A size below the
    table takes the heat-balance estimate, scaled down by as much as that estimate exceeds the
    table at its smallest gauge. Copper-clad aluminium is the copper figure times
    sqrt(ratio of resistivities): the same heat in the same cable.
    """
    chosen = size(label)
    if insulation_c < INSULATION_C[0]:
        raise ConductorError(
            "insulation_c", f"no table below {INSULATION_C[0]:g} degC, got {insulation_c:g}"
        )
    if metal not in _COEFFICIENTS:
        raise ConductorError("metal", f"{metal!r} is no known metal")
    column = max(i for i, each in enumerate(INSULATION_C) if each <= insulation_c)
    column_c = INSULATION_C[column]
    by_air = ambient_factor(column_c, ambient_c)
    by_bundle = bundle_factor(bundled)
    resistivity = CONDUCTORS["metals"][metal]["resistivity_ohm_mm2_per_m"]
    by_metal = sqrt(COPPER_OHM_MM2_PER_M / resistivity)
    base, basis, gauge = 0.0, "estimate", ""
    for tabled, row in _TABLED:
        if tabled.area_mm2 <= chosen.area_mm2 * 1.0001:
            base, gauge = row[column], tabled.label
            basis = "table" if tabled.label == chosen.label else "next smaller gauge"
    if basis == "estimate":
        smallest, row = _TABLED[0]
        over = estimate_a(smallest, column_c) / row[column]
        base = estimate_a(chosen, column_c) / max(1.0, over)
    return Ampacity(
        base * by_air * by_bundle * by_metal,
        basis,
        base,
        gauge,
        column_c,
        by_air,
        by_bundle,
        by_metal,
    )


def conductor_temperature_c(
    current_a: float, allowed_a: float, insulation_c: float, ambient_c: float
) -> float:
    """Temperature a conductor settles at [degC]: Ta + (Ti - Ta) (I / Iz)^2, at most Ti.

    `allowed_a` is the current that brings it to its insulation temperature in that ambient.
    """
    require_positive("allowed_a", allowed_a, "A")
    ratio = current_a / allowed_a
    return ambient_c + (insulation_c - ambient_c) * min(1.0, ratio * ratio)
