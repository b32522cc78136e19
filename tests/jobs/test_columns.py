"""Columns of a plan's rows are told by name: every field goes out to the plan and comes back."""

from types import SimpleNamespace
from typing import Any

import msgspec
import pytest
from django.core.validators import BaseValidator, MaxValueValidator, MinValueValidator
from django.db import models

from jobs.models import PowerRun
from jobs.plan import columns, rows
from jobs.plan.columns import CHANNEL, RUN, SETTING, SPEAKER, Columns, setting_of, supply_values
from wiring import plan as doc

SECTION = {"kind": "peaking", "frequency_hz": 80.0, "gain_db": -3.0, "q": 2.0}


def _telling(names: tuple[str, ...]) -> dict[str, Any]:
    """A value for each column that no other column has and no default is."""
    return {name: f"{name}!" for name in names}


@pytest.mark.parametrize(
    ("which", "made"),
    [
        (RUN, {"id": "R1"}),
        (SPEAKER, {"id": "SP1", "factory": True}),
        (CHANNEL, {"id": "A1.1", "device": "A1"}),
        (SETTING, {}),
    ],
)
def test_every_column_goes_into_the_plan_and_comes_back(
    which: Columns[Any], made: dict[str, Any]
) -> None:
    row = _telling(which.names)
    part = which.read(SimpleNamespace(**row), **made)
    assert which.write(part) == row


def test_a_channel_has_its_wire_and_a_run_its_fuse() -> None:
    run = RUN.read(SimpleNamespace(**_telling(RUN.names)), id="R1")
    assert run.conductor.size == "size!"
    assert run.fuse is not None and run.fuse.body == "fuse_body!"
    channel = CHANNEL.read(SimpleNamespace(**_telling(CHANNEL.names)), id="A1.1", device="A1")
    assert channel.wire is not None
    assert channel.wire.negative.stripe == "negative_stripe!"
    setting = SETTING.read(SimpleNamespace(**_telling(SETTING.names)))
    assert setting.low_pass is not None and setting.low_pass.frequency_hz == "low_pass_hz!"


@pytest.mark.parametrize(
    ("which", "empty", "part", "made"),
    [
        (RUN, {"fuse_rating_a": None}, "fuse", {"id": "R1"}),
        (SETTING, {"high_pass_hz": None}, "high_pass", {}),
        (SETTING, {"low_pass_family": ""}, "low_pass", {}),
        (CHANNEL, dict.fromkeys(columns.WIRE_COLUMNS, ""), "wire", {"id": "A1.1", "device": "A1"}),
    ],
)
def test_what_is_not_told_in_full_is_not_in_the_plan(
    which: Columns[Any], empty: dict[str, Any], part: str, made: dict[str, Any]
) -> None:
    row = {**_telling(which.names), **empty}
    found = which.read(SimpleNamespace(**row), **made)
    assert getattr(found, part) is None
    back = which.write(found)
    assert all(back[name] in ("", None) for name in which.within(part))


def test_a_fuse_whose_place_is_not_known_stands_at_the_source() -> None:
    row = {**_telling(RUN.names), "fuse_distance_m": None, "fuse_body": ""}
    fuse = RUN.read(SimpleNamespace(**{**row, "fuse_rating_a": 60.0}), id="R1").fuse
    assert fuse == doc.Fuse(60.0, "", 0.0)


def test_sections_and_the_supply_go_out_and_come_back() -> None:
    row = SimpleNamespace(**{**dict.fromkeys(SETTING.names), "sections": [SECTION]})
    setting = setting_of(row)
    assert columns.setting_values(setting)["sections"] == [SECTION]
    supply = doc.Supply(internal_resistance_ohm=0.004, battery_ah=70.0)
    values = supply_values(supply)
    assert values["internal_resistance_mohm"] == 4.0
    assert doc.Supply(**columns.supply_facts(SimpleNamespace(**values))) == supply


def test_the_rows_read_for_a_plan_have_every_column() -> None:
    for read, which in ((rows.runs, RUN), (rows.speakers, SPEAKER), (rows.channels, CHANNEL)):
        assert set(which.names) <= set(read.names)


def test_a_fact_of_the_plan_without_a_column_is_told_at_once() -> None:
    class Longer(doc.Run, frozen=True):
        twist_per_m: float = 0.0

    with pytest.raises(TypeError, match="twist_per_m has no column in PowerRun"):
        Columns(Longer, PowerRun, "id")
    assert Columns(Longer, PowerRun, "id", "twist_per_m").names == RUN.names


KIND_OF_ROW: dict[Columns[Any], dict[str, Any]] = {
    RUN: {"kind": "feed", "from_node": "battery", "to_node": "A1", "size": "4 AWG",
          "metal": "copper", "stranding": "solid", "insulation_c": 105.0, "length_m": 2.0,
          "fuse_rating_a": 60.0, "fuse_body": "midi", "fuse_distance_m": 0.3},
    SPEAKER: {"name": "Finch", "kind": "tweeter", "position": "boot", "impedance_ohm": 4.0},
    CHANNEL: {"kind": "line", "number": 1},
    SETTING: {"high_pass_family": "bessel", "high_pass_order": 4, "high_pass_hz": 80.0,
              "low_pass_family": "bessel", "low_pass_order": 4, "low_pass_hz": 80.0},
    columns.DEVICE: {}, columns.SUPPLY: {}, columns.ASSUMPTIONS: {},
}  # fmt: skip
MADE: dict[Columns[Any], dict[str, Any]] = {
    RUN: {"id": "R1"},
    SPEAKER: {"id": "SP1"},
    CHANNEL: {"id": "A1.L1", "device": "A1"},
    columns.DEVICE: {"id": "A1", "name": "Weir", "kind": "amplifier"},
}
COUNTED = {"number", "bridged_with"}
"""Columns that the program fills from the counts of a product or a choice among them."""


def _figures() -> list[tuple[Columns[Any], str]]:
    return [
        (which, name)
        for which in KIND_OF_ROW
        for name in which.names
        if isinstance(which.model._meta.get_field(name), models.FloatField | models.IntegerField)
        and name not in COUNTED
    ]


@pytest.mark.parametrize(
    ("which", "name"), _figures(), ids=lambda one: one if isinstance(one, str) else ""
)
def test_what_a_row_may_hold_a_plan_may_hold(which: Columns[Any], name: str) -> None:
    """A plan that cannot be read back would make a signed sheet that nobody can open."""
    field = which.model._meta.get_field(name)
    assert isinstance(field, models.Field)
    if field.choices:
        limits = [value for value, _ in field.flatchoices]
    else:
        ends = [one for one in field.validators if isinstance(one, BaseValidator)]
        lowest = [one.limit_value for one in ends if isinstance(one, MinValueValidator)]
        highest = [one.limit_value for one in ends if isinstance(one, MaxValueValidator)]
        limits = [max(lowest), min(highest)]
    for limit in limits:
        row = {**dict.fromkeys(which.names), **KIND_OF_ROW[which], name: limit}
        row = {key: value for key, value in row.items() if value is not None}
        blank = which.model()
        held = {key: row.get(key, getattr(blank, key)) for key in which.names}
        prefixed = {f"{which.prefix}{key}": value for key, value in held.items()}
        part = which.read(SimpleNamespace(**prefixed), **MADE.get(which, {}))
        assert msgspec.json.decode(msgspec.json.encode(part), type=which.part) == part
