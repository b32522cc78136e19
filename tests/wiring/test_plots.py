"""Plots: well-formed, true to the numbers, readable without colour."""

import math
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from tests.wiring.plans import changed, good_plan, low
from wiring.drawings import plots
from wiring.drawings.frame import Frame
from wiring.drawings.plan_plots import crossover_marks, measured_plot, settings_plot
from wiring.drawings.plots import Line, draw
from wiring.plan import Setting
from wiring.tuning.measurements import Measurement
from wiring.tuning.targets import FLAT

SVG = "{http://www.w3.org/2000/svg}"
GRID = np.geomspace(20, 20_000, 400)


def paths(svg: str, kind: str) -> list[ET.Element]:
    return [e for e in ET.fromstring(svg).iter(f"{SVG}path") if kind in e.get("class", "")]


def points(path: ET.Element) -> list[tuple[float, float]]:
    numbers = [float(n) for n in re.findall(r"-?\d+\.?\d*", path.get("d", ""))]
    return list(zip(numbers[::2], numbers[1::2], strict=True))


def test_a_line_is_drawn_where_its_values_are() -> None:
    """A slope of 6 dB per octave: every point of the path lies on it to half a pixel."""
    values = 6.0 * np.log2(GRID / 1_000.0)
    svg = draw([Line("Slope", GRID, values)], "Slope", limits=(-40.0, 40.0, 10.0))
    frame = Frame(20.0, 20_000.0, -40.0, 40.0, 10.0)
    drawn = points(paths(svg, "plot-after")[0])
    assert len(drawn) >= 2
    for x, y in drawn:
        share = (x - frame.left) / (frame.width - frame.left - frame.right)
        frequency = 20.0 * 1_000.0**share
        assert y == pytest.approx(frame.y(6.0 * math.log2(frequency / 1_000.0)), abs=0.5)


def test_a_curve_keeps_its_shape_when_points_are_left_out() -> None:
    values = 5 * np.sin(2 * np.log(GRID))
    svg = draw([Line("Wave", GRID, values)], "Wave", limits=(-6.0, 6.0, 3.0))
    drawn = np.array(points(paths(svg, "plot-after")[0]))
    frame = Frame(20.0, 20_000.0, -6.0, 6.0, 3.0)
    assert len(drawn) < GRID.size
    x, y = frame.xs(GRID), frame.ys(values)
    off = np.abs(np.interp(x, drawn[:, 0], drawn[:, 1]) - y)
    across = off / np.hypot(1.0, np.gradient(y, x))
    assert np.max(across) < 0.2 + 0.1, "a fifth of a pixel, and a tenth from rounding"


def test_nothing_is_drawn_outside_the_frame() -> None:
    values = 40 * np.sin(3 * np.log(GRID))
    svg = draw([Line("Wild", GRID, values)], "Wild", limits=(-10.0, 10.0, 5.0))
    frame = Frame(20.0, 20_000.0, -10.0, 10.0, 5.0)
    drawn = points(paths(svg, "plot-after")[0])
    assert min(y for _, y in drawn) >= frame.above - 0.06
    assert max(y for _, y in drawn) <= frame.height - frame.below + 0.06


def test_before_is_thin_after_is_bold_and_patterns_differ() -> None:
    before = changed(good_plan(), "channels", "amp6.1", setting=Setting(high_pass=low(4_000.0)))
    svg = settings_plot(good_plan(), before)
    after_lines, before_lines = paths(svg, "plot-after"), paths(svg, "plot-before")
    widths = {float(p.get("stroke-width", "0")) for p in before_lines}
    assert max(widths) * 2 < min(float(p.get("stroke-width", "0")) for p in after_lines)
    looks = [(p.get("stroke"), p.get("stroke-dasharray")) for p in after_lines]
    assert len({dash for _, dash in looks}) == len(looks)
    assert len(set(plots.DASHES)) == len(plots.COLOURS)


def test_crossover_points_are_marked_once_for_both_sides() -> None:
    marks = crossover_marks(good_plan())
    assert [round(mark.frequency_hz) for mark in marks] == [3_000, 80]
    assert "3 kHz" in settings_plot(good_plan())


def test_every_third_octave_tells_its_values() -> None:
    lines = [Line("Bass", GRID, np.full(GRID.size, -3.0), np.full(GRID.size, -1.25))]
    root = ET.fromstring(draw(lines, "Level"))
    hits = [e for e in root.iter(f"{SVG}rect") if e.get("class") == "plot-hit"]
    assert len(hits) == 31
    at_1k = next(e for e in hits if e.get("data-hz") == "1 kHz")
    assert at_1k.get("data-values") == "Bass: −3.0 dB (before −1.2)"
    signs = {str(one.text)[0] for one in root.iter(f"{SVG}text")}
    assert "−" in signs and "-" not in signs


def test_names_are_escaped_and_gaps_break_the_line() -> None:
    values = np.where((GRID > 500) & (GRID < 900), np.nan, 0.0)
    svg = draw([Line("<b> & co", GRID, values)], 'A "title"')
    assert paths(svg, "plot-after")[0].get("d", "").count("M") == 2
    assert "<b>" not in svg


@pytest.mark.parametrize("quantity", ["magnitude", "phase", "group_delay"])
@pytest.mark.parametrize("shown", ["channels", "places", "sides", "whole"])
def test_every_kind_of_plot_is_well_formed(shown: str, quantity: str) -> None:
    svg = settings_plot(good_plan(), good_plan(), shown, quantity)
    assert paths(svg, "plot-after")
    assert "nan" not in svg
    assert "style=" not in svg


def test_a_measured_plot_shows_before_after_proposal_and_target() -> None:
    flat = Measurement(GRID, np.zeros(GRID.size))
    svg = measured_plot(flat, flat, FLAT, 0.0, proposed=flat)
    assert len(paths(svg, "plot-after")) == 2
    assert len(paths(svg, "plot-before")) == 1
    assert len(paths(svg, "plot-wished")) == 1
    with pytest.raises(ValueError, match="no measurement"):
        measured_plot(None)


def wave(name: str, turns: float, style: int) -> Line:
    return Line(name, GRID, 20 * np.sin(turns * np.log(GRID)), style=style)


@pytest.mark.parametrize("look", [plots.HALF, plots.PAPER])
def test_on_paper_a_name_lies_on_no_line(look: plots.Look) -> None:
    """Beside its line where there is room, else all names below, each once with its dashes."""
    quiet = Line("Front door, both sides", GRID, np.where(GRID > 80, 0.0, -30.0))
    svg = draw([quiet], "One", limits=(-40.0, 12.0, 6.0), look=look)
    assert len(re.findall('class="plot-name', svg)) == 1
    assert f'viewBox="0 0 {look.width:g} {look.height:g}"' in svg

    crowd = [wave(f"Coaxial rear door {at}", 5 + at, at) for at in range(3)]
    svg = draw(crowd, "Many", limits=(-21.0, 21.0, 6.0), look=look)
    assert "plot-name" not in svg
    height = float(ET.fromstring(svg).get("viewBox", "").split()[3])
    for at, line in enumerate(crowd):
        [text] = [e for e in ET.fromstring(svg).iter(f"{SVG}text") if e.text == line.label]
        assert look.height < float(text.get("y", "")) < height
        dash = f' stroke-dasharray="{plots.DASHES[at]}"' if plots.DASHES[at] else ""
        sample = f'h28" fill="none" stroke="{plots.COLOURS[at]}"{dash}'
        assert svg.count(sample) == 1
