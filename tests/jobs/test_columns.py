"""Columns of a plan's rows are told by name: every field goes out to the plan and comes back."""

from types import SimpleNamespace
from typing import Any

import pytest

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
