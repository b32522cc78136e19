"""Every number of every table, against a second transcription.

The tables lie row by row in `wiring/tables/`; here they are copied again from their sources column
by column, so that a slip of the hand in one is seen in the other. Where a source could only be
remembered, the second copy guards against slips, not against a wrong memory: those say so.
"""

from typing import Any

import pytest

from wiring import tables

GAUGES = ["18", "16", "14", "12", "10", "8", "6", "4", "3", "2", "1", "1/0", "2/0", "3/0", "4/0"]


def test_ampacity_is_the_regulation_s() -> None:
    """33 CFR 183.425 (2001 edition and later), Table 5 by column; note 1 and note 2."""
    columns = {
        60: [10, 15, 20, 25, 40, 55, 80, 105, 120, 140, 165, 195, 225, 260, 300],
        75: [10, 15, 20, 25, 40, 65, 95, 125, 145, 170, 195, 230, 265, 310, 360],
        80: [15, 20, 25, 35, 50, 70, 100, 130, 150, 175, 210, 245, 285, 330, 385],
        90: [20, 25, 30, 40, 55, 70, 100, 135, 155, 180, 210, 245, 285, 330, 385],
        105: [20, 25, 35, 45, 60, 80, 120, 160, 180, 210, 245, 285, 330, 385, 445],
        125: [25, 30, 40, 50, 70, 90, 125, 170, 195, 225, 265, 305, 355, 410, 475],
        200: [25, 35, 45, 55, 70, 100, 135, 180, 210, 240, 280, 325, 370, 430, 510],
    }
    table = tables.load("ampacity")
    assert table["reference_ambient_c"] == 30
    assert table["insulation_c"] == list(columns)
    assert table["ampere"] == {
        gauge: [column[row] for column in columns.values()] for row, gauge in enumerate(GAUGES)
    }
    assert dict(zip(columns, table["note_1_engine_space_50_c"], strict=True)) == {
        60: 0.58, 75: 0.75, 80: 0.78, 90: 0.82, 105: 0.85, 125: 0.89, 200: 1.0,
    }  # fmt: skip
    bundle = table["note_2_bundle"]
    assert dict(zip(bundle["at_least"], bundle["factor"], strict=True)) == {
        1: 1.0, 3: 0.7, 4: 0.6, 7: 0.5, 25: 0.4,
    }  # fmt: skip


METRIC: dict[str, dict[float, float]] = {
    # IEC 60228:2004 table 2, plain copper, class 2 [mohm/m]; 0.35 mm2 as 0.34 of DIN VDE 0295.
    "class_2_mohm_per_m": {
        0.35: 53, 0.5: 36.0, 0.75: 24.5, 1: 18.1, 1.5: 12.1, 2.5: 7.41, 4: 4.61, 6: 3.08,
        10: 1.83, 16: 1.15, 25: 0.727, 35: 0.524, 50: 0.387, 70: 0.268, 95: 0.193, 120: 0.153,
    },
    # IEC 60228:2004 table 3, plain copper, class 5 [mohm/m].
    "class_5_mohm_per_m": {
        0.35: 56, 0.5: 39.0, 0.75: 26.0, 1: 19.5, 1.5: 13.3, 2.5: 7.98, 4: 4.95, 6: 3.30,
        10: 1.91, 16: 1.21, 25: 0.780, 35: 0.554, 50: 0.386, 70: 0.272, 95: 0.206, 120: 0.161,
    },
    # ISO 6722-1:2011 thick wall [mm], from memory.
    "wall_mm": {
        0.35: 0.6, 0.5: 0.6, 0.75: 0.6, 1: 0.6, 1.5: 0.6, 2.5: 0.7, 4: 0.8, 6: 0.8,
        10: 1.0, 16: 1.0, 25: 1.3, 35: 1.3, 50: 1.5, 70: 1.5, 95: 1.6, 120: 1.6,
    },
}  # fmt: skip


def test_metric_sizes_are_the_standards() -> None:
    table = tables.load("conductors")
    assert table["columns"] == ["area_mm2", *METRIC]
    by_column = list(zip(*table["rows"], strict=True))
    for name, values in zip(METRIC, by_column[1:], strict=True):
        assert dict(zip(by_column[0], values, strict=True)) == METRIC[name]


def test_sizes_of_road_vehicles_alone() -> None:
    """ISO 6722-1:2011 greatest resistance [mohm/m] of sizes IEC 60228 has not, from memory."""
    table = tables.load("conductors")
    assert table["road_vehicle_columns"] == ["area_mm2", "mohm_per_m"]
    areas = (1.25, 2, 3, 5, 8, 12, 20, 30, 40, 60)
    mohm_per_m = (14.9, 9.42, 6.15, 3.94, 2.38, 1.52, 0.955, 0.647, 0.473, 0.315)
    assert table["road_vehicle_rows"] == [list(row) for row in zip(areas, mohm_per_m, strict=True)]
    known = {row[0] for row in table["rows"]}
    assert known.isdisjoint(areas)


def test_metals_and_strands() -> None:
    """IEC 60028:1925: 1/58 ohm mm2/m and 3.93e-3 per kelvin; ASTM B566 10A from memory.

    Strands: NFPA 70 chapter 9 table 8 is about 2 % above solid, UL 1581 flexible at most 6 %.
    """
    table = tables.load("conductors")
    copper, clad = table["metals"]["copper"], table["metals"]["copper_clad_aluminium"]
    assert copper["resistivity_ohm_mm2_per_m"] == pytest.approx(1 / 58, abs=5e-7)
    assert copper["temperature_coefficient_per_k"] == 3.93e-3
    assert clad["resistivity_ohm_mm2_per_m"] == pytest.approx(1 / 58 / 0.6286, rel=1e-3)
    assert clad["temperature_coefficient_per_k"] == 4.04e-3
    assert {n: (s["factor"], s["metric_column"]) for n, s in table["stranding"].items()} == {
        "solid": (1.0, 1),
        "stranded": (1.02, 1),
        "flexible": (1.06, 2),
    }


def test_batteries() -> None:
    """Handbook figures of 12 V batteries, both copies from memory; reserve capacity SAE J537."""
    table = tables.load("battery")
    assert (table["reference_c"], table["rest_v_per_k"]) == (27, 1.3e-3)
    charge = dict(zip((0, 25, 50, 75, 100), table["state_of_charge"], strict=True))
    assert charge == {percent: percent / 100 for percent in charge}
    flooded = [11.89, 12.06, 12.24, 12.45, 12.65]
    expected: dict[str, tuple[list[float], float, float]] = {
        "flooded": (flooded, 1.2, 5),
        "efb": (flooded, 1.15, 5),
        "agm": ([11.80, 12.05, 12.30, 12.55, 12.85], 1.1, 3),
        "lithium": ([12.0, 12.95, 13.15, 13.25, 13.4], 1.05, 3),
    }
    assert list(table["chemistries"]) == ["flooded", "efb", "agm", "lithium"]
    assert [one.get("rest_v_per_k") for one in table["chemistries"].values()] == [None] * 3 + [0]
    for name, (rest, peukert, percent_a_month) in expected.items():
        one = table["chemistries"][name]
        assert (one["rest_v"], one["peukert_exponent"]) == (rest, peukert)
        assert one["self_discharge_per_month"] == pytest.approx(percent_a_month / 100)
    cold = dict(zip(table["capacity_at_c"], table["capacity_fraction"], strict=True))
    assert cold == {-40: 0.2, -18: 0.5, 0: 0.8, 27: 1.0}
    assert table["no_start_state_of_charge"] == 0.5
    assert (table["reserve_a"], table["surface_charge_over_v"]) == (25, 0.1)
    assert table["least_charging_c_lithium"] == 0


_QUICK = {1.1: (360_000, None), 1.35: (0.75, 600), 1.6: (0.25, 50), 2.0: (0.15, 5),
          3.5: (0.04, 0.5), 6.0: (0.02, 0.1)}  # fmt: skip
_BOLTED = {1.0: (14_400, None), 1.35: (120, 1800), 2.0: (1, 15), 3.5: (0.3, 5), 6.0: (0.1, 1)}
BODIES: dict[str, tuple[str, float | None, float, dict[float, Any]]] = {
    # ISO 8820-3 (blade types F, C, E) and ISO 8820-5 (SF30, SF51): breaking capacity as published
    # in the scope, ratings and gates from memory; UL 248-14 for glass; strips: common practice.
    "mini blade": ("2 3 4 5 7.5 10 15 20 25 30", 1000, 80, _QUICK),
    "blade": ("1 2 3 4 5 7.5 10 15 20 25 30 35 40", 1000, 80, _QUICK),
    "large blade": (
        "20 25 30 35 40 50 60 70 80 100", 1000, 70,
        {1.0: (360_000, None), 1.35: (60, 1800), 2.0: (2, 60), 3.5: (0.2, 7), 6.0: (0.04, 1)},
    ),
    "bolt-in 30 mm": (
        "30 40 50 60 70 80 100 125 150 175 200", 1000, 70,
        {1.0: (14_400, None), 1.35: (60, 1800), 2.0: (1, 15), 3.5: (0.3, 5), 6.0: (0.1, 1)},
    ),
    "bolt-in 51 mm": (
        "60 80 100 125 150 175 200 225 250 300 350 400 450 500", 2000, 70, _BOLTED,
    ),
    "strip": (
        "35 40 50 60 80 100 125 130 150 175 200 225 250 275 300 325 350 400 500", 6000, 70, _BOLTED,
    ),
    "glass 10 x 38 mm": (
        "5 10 15 20 25 30 40 50 60 70 80 100", None, 80,
        {1.1: (14_400, None), 1.35: (0.2, 3600), 2.0: (0.1, 120)},
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", BODIES)
def test_fuse_body(name: str) -> None:
    ratings, breaking_a, drop_mv, gates = BODIES[name]
    body = tables.load("fuses")["bodies"][name]
    assert body["ratings_a"] == [float(one) for one in ratings.split()]
    assert body["breaking_a"] == breaking_a
    assert body["cold_drop_v"] * 1000 == pytest.approx(drop_mv)
    assert {multiple: (first, last) for multiple, first, last in body["gates"]} == gates


def test_every_fuse_body_is_transcribed_twice() -> None:
    assert list(tables.load("fuses")["bodies"]) == list(BODIES)


def test_fuse_heat() -> None:
    """IEC 60364-5-54:2011 annex A, table A.54.1 for k and beta; 160 and 250 degC limits, to 5 s.

    The derating in warm air is common practice, no source.
    """
    table = tables.load("fuses")
    assert (table["ambient"]["reference_c"], table["ambient"]["fraction_per_k"]) == (23, 1.5e-3)
    adiabatic = table["adiabatic"]
    assert (adiabatic["copper"], adiabatic["copper_clad_aluminium"]) == ([226, 234.5], [148, 228])
    assert dict(adiabatic["final_c"]) == {105: 160, 1000: 250}
