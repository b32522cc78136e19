"""What is typed, in which order, and what a program shows otherwise."""

import pytest

from wiring.errors import WiringError
from wiring.filters.entry_list import endangers, in_order, lines_of, number_in, unlike
from wiring.plan import Channel, Crossover, ProcessorLimits, Section, Setting, Slopes, Steps

LIMITS = ProcessorLimits(
    delay_unit="in",
    delay=Steps(0, 200, 0.5),
    slopes=(Slopes("linkwitz_riley", (2, 4)),),
    width_counted="octaves",
    width=Steps(0.05, 3, 0.05),
)
SETTING = Setting(
    high_pass=Crossover("butterworth", 3, 2500.0),
    level_db=-4.5,
    delay_ms=1.2,
    inverted=True,
    sections=(Section("peaking", 400.0, -3.0, 1.41421356), Section("notch", 100.0, -9.0, 4.0)),
)


def _channel(number: int, setting: Setting = SETTING) -> Channel:
    return Channel(f"P1.L{number}", "P1", "line", number, setting=setting)


def test_a_line_holds_what_the_program_takes_in_its_own_units() -> None:
    lines = {line.what: line for line in lines_of(LIMITS, _channel(1))}
    assert {what: line.texts for what, line in lines.items()} == {
        "high_pass": ("linkwitz_riley", "12", "2500"),
        "low_pass": ("off", "", ""),
        "level": ("-4.5",),
        # 1.2 ms x 34.3 cm/ms / 2.54 cm/in = 16.20 in: by hand
        "delay": ("16.0",),
        "output": ("inverted", "plays"),
        # Q 1.414 is one octave between the points of half gain: W3C Audio EQ Cookbook (2021)
        "eq_1": ("peaking", "400", "-3", "1.00"),
        "eq_2": ("notch", "100", "", "0.35"),
    }
    assert "has no Butterworth 18 dB/oct" in lines["high_pass"].problem
    assert lines["delay"].cells[0].unit == "in" and lines["output"].cells[0].unit == ""
    with pytest.raises(WiringError, match="rate"):
        lines_of(ProcessorLimits(delay_unit="samples"), _channel(1))


def test_lines_stand_in_the_order_of_the_program() -> None:
    lines = [*lines_of(LIMITS, _channel(1)), *lines_of(LIMITS, _channel(2, Setting()))]
    assert [name for name, _ in in_order(lines, "channel")] == ["P1.L1", "P1.L2"]
    groups = dict(in_order(lines[::-1], "setting"))
    assert list(groups) == ["high_pass", "low_pass", "level", "delay", "output", "eq"]
    assert [line.what for line in groups["eq"]] == ["eq_2", "eq_1"] and len(groups["delay"]) == 2


@pytest.mark.parametrize(
    ("what", "shown", "cells", "grave"),
    [
        ("level", ["-4.50"], (), False),
        ("level", ["−4,5"], (), False),
        ("level", ["-4.4"], (0,), False),
        ("level", [], (0,), False),
        ("low_pass", ["off", "24", "80"], (), False),
        ("low_pass", ["butterworth", "24", "80"], (0, 1, 2), False),
        ("high_pass", ["linkwitz_riley", "12", "2500.0"], (), False),
        ("high_pass", ["linkwitz_riley", "24", "2600"], (1, 2), False),
        ("high_pass", ["linkwitz_riley", "6", "2500"], (1,), True),
        ("high_pass", ["linkwitz_riley", "12", "2499"], (2,), True),
        ("high_pass", ["off", "", ""], (0, 1, 2), True),
        ("high_pass", ["off"], (0, 1, 2), True),
        ("output", ["inverted", "muted"], (1,), True),
        ("eq_2", ["notch", "100", "", ".35"], (), False),
    ],
)
def test_what_the_program_shows_otherwise(
    what: str, shown: list[str], cells: tuple[int, ...], grave: bool
) -> None:
    (line,) = [one for one in lines_of(LIMITS, _channel(1)) if one.what == what]
    assert (unlike(line, shown), endangers(line, shown)) == (cells, grave)


def test_a_filter_that_is_off_endangers_nothing_when_the_program_has_one() -> None:
    (line,) = [one for one in lines_of(LIMITS, _channel(1, Setting())) if one.what == "high_pass"]
    assert not endangers(line, ["butterworth", "12", "80"]) and not endangers(line, ["off", "", ""])
    assert [number_in(text) for text in ("nan", "inf", "", "1e3", "x")] == [
        None, None, None, 1000.0, None,
    ]  # fmt: skip
