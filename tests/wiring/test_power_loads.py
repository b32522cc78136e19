"""Loads: joining, sharing, minimum loads, power into a load, and every arrangement of coils."""

import xml.etree.ElementTree as ElementTree
from itertools import count

import numpy as np
import pytest

from tests.wiring.plans import amplifier, good_plan
from wiring.context import Context
from wiring.drawings.loads import draw
from wiring.loads import (
    LoadError,
    arrangements,
    channel_load_ohm,
    fits,
    join_ohm,
    minimum_load,
    planned_arrangement,
    power_into,
    power_shares,
    speaker_load_ohm,
)
from wiring.plan import Channel, Rating, Speaker
from wiring.series_parallel import Tree, resistance, shares, trees

MACMAHON_1892 = [1, 2, 4, 10, 24, 66, 180, 522]


@pytest.mark.parametrize(
    ("loads", "joining", "ohm"),
    [
        ([4.0], "single", 4.0),
        ([4.0, 4.0], "parallel", 2.0),
        ([4.0, 8.0], "parallel", 8 / 3),
        ([4.0, 4.0, 4.0], "parallel", 4 / 3),
        ([2.0, 3.0], "series", 5.0),
        ([4.0] * 4, "series_parallel", 4.0),
        ([8.0, 8.0, 4.0, 4.0], "series_parallel", 16 / 3),
    ],
)
def test_joining(loads: list[float], joining: str, ohm: float) -> None:
    """Ohm's law by hand."""
    assert join_ohm(loads, joining) == pytest.approx(ohm)
    assert sum(power_shares(loads, joining)) == pytest.approx(1.0)


def test_unequal_parts_share_power_by_ohm_s_law() -> None:
    """4 and 8 ohm: 2 to 1 in parallel, 1 to 2 in series."""
    assert power_shares([4.0, 8.0], "parallel") == pytest.approx((2 / 3, 1 / 3))
    assert power_shares([4.0, 8.0], "series") == pytest.approx((1 / 3, 2 / 3))


def test_dual_coil_subwoofer() -> None:
    for joining, ohm in (("parallel", 2.0), ("series", 8.0), ("single", 4.0)):
        sub = Speaker("s", "Sub", "subwoofer", "boot", 4.0, 2, joining)
        assert speaker_load_ohm(sub) == ohm


def test_loads_of_a_plan() -> None:
    context = Context(good_plan())
    assert context.load_ohm["mono.1"] == 2.0
    assert context.load_ohm["amp6.1"] == 4.0
    assert context.power_w["mono.1"].power_w == 400.0


def test_minimum_of_a_bridged_pair_is_twice_that_of_a_channel() -> None:
    """Each channel drives half the load of the pair."""
    plain = amplifier("a", 2)
    stated = amplifier("a", 2, min_load_bridged_ohm=3.0)
    assert minimum_load(plain, True) == (4.0, True)
    assert minimum_load(stated, True) == (3.0, False)
    assert minimum_load(amplifier("a", 2, min_load_ohm=None), False) is None


def test_power_into_a_load() -> None:
    """Between ratings the lower of two bounds; beyond them the voltage of the nearest."""
    device = amplifier("a", 2, ratings=(Rating(4.0, 100.0), Rating(2.0, 120.0)))
    for load, watts in ((4.0, 100.0), (2.0, 120.0), (8.0, 50.0), (1.0, 240.0)):
        found = power_into(device, load, False)
        assert found is not None and found.power_w == pytest.approx(watts)
    between = power_into(device, 3.0, False)
    assert between is not None
    assert between.power_w == pytest.approx(min(100 * 4 / 3, 120 * 3 / 2))
    pair = power_into(device, 4.0, True)
    assert pair is not None and pair.power_w == pytest.approx(240.0)
    assert power_into(amplifier("a", 2, ratings=()), 4.0, False) is None


@pytest.mark.parametrize(("parts", "expected"), list(enumerate(MACMAHON_1892, start=1)))
def test_number_of_arrangements(parts: int, expected: int) -> None:
    """Two-terminal series-parallel networks of n like parts: MacMahon 1892, OEIS A000084."""
    found = trees(parts)
    assert len(found) == len(set(found)) == expected
    assert all(tree.leaves == parts for tree in found)


def by_node_equations(tree: Tree) -> tuple[float, list[float]]:
    """Resistance and power shares of a tree of 1 ohm parts from its node equations."""
    edges: list[tuple[int, int]] = []
    number = count(2)

    def lay(part: Tree, start: int, end: int) -> None:
        if not part.children:
            edges.append((start, end))
        elif part.kind == "parallel":
            for child in part.children:
                lay(child, start, end)
        else:
            stops = [start, *(next(number) for _ in part.children[1:]), end]
            for child, first, second in zip(part.children, stops, stops[1:], strict=False):
                lay(child, first, second)

    lay(tree, 0, 1)
    size = max(max(edge) for edge in edges) + 1
    laplacian = np.zeros((size, size))
    for first, second in edges:
        laplacian[first, first] += 1
        laplacian[second, second] += 1
        laplacian[first, second] -= 1
        laplacian[second, first] -= 1
    free = [node for node in range(size) if node != 1]
    driven = np.array([1.0 if node == 0 else 0.0 for node in free])
    volts = np.zeros(size)
    volts[free] = np.linalg.solve(laplacian[np.ix_(free, free)], driven)
    powers = [(volts[first] - volts[second]) ** 2 for first, second in edges]
    return float(volts[0]), [power / sum(powers) for power in powers]


@pytest.mark.parametrize("parts", [1, 2, 3, 4, 5, 6])
def test_arrangements_against_node_equations(parts: int) -> None:
    for tree in trees(parts):
        ohm, powers = by_node_equations(tree)
        assert float(resistance(tree)) == pytest.approx(ohm, rel=1e-12)
        assert [float(share) for share in shares(tree)] == pytest.approx(powers, rel=1e-9)


def test_two_dual_coil_drivers() -> None:
    """The four ways a shop knows: all parallel, two ways to 4 ohm, all in series."""
    found = arrangements(2, 2, 4.0)
    assert [each.load_ohm for each in found] == [1.0, 4.0, 4.0, 16.0]
    assert {(each.coil_joining, each.joining) for each in found} == {
        ("parallel", "parallel"),
        ("parallel", "series"),
        ("series", "parallel"),
        ("series", "series"),
    }
    assert len(arrangements(2, 2, 4.0, equal_only=False)) == 10


@pytest.mark.parametrize("drivers", [1, 2, 3, 4])
@pytest.mark.parametrize("coils", [1, 2])
def test_plan_words_mean_the_same_load(drivers: int, coils: int) -> None:
    """What an arrangement says in the plan's terms gives the load it promises."""
    named = 0
    for each in arrangements(drivers, coils, 3.0):
        assert sum(each.coil_shares) == pytest.approx(1.0)
        if each.joining is None or each.coil_joining is None:
            continue
        named += 1
        driver = Speaker("s", "S", "subwoofer", "boot", 3.0, coils, each.coil_joining)
        loads = [speaker_load_ohm(driver)] * drivers
        assert join_ohm(loads, each.joining) == pytest.approx(each.load_ohm)
    assert named >= min(2, drivers * coils)


@pytest.mark.parametrize("drivers", [1, 2, 3, 4])
@pytest.mark.parametrize("coils", [1, 2])
def test_what_is_drawn_is_what_the_plan_has(drivers: int, coils: int) -> None:
    """The drawing of a channel shows the very load its speakers make; one coil needs none."""
    for each in arrangements(drivers, coils, 3.0):
        if each.joining is None or each.coil_joining is None:
            continue
        speakers = {
            f"s{n}": Speaker(f"s{n}", "S", "subwoofer", "boot", 3.0, coils, each.coil_joining)
            for n in range(drivers)
        }
        channel = Channel("a.1", "a", "amplifier", 1, tuple(speakers), each.joining)
        drawn = planned_arrangement(speakers, channel)
        if drivers * coils == 1:
            assert drawn is None
        else:
            assert drawn is not None
            assert drawn.load_ohm == pytest.approx(channel_load_ohm(speakers, channel))
            assert (drawn.coil_joining, drawn.joining) == (each.coil_joining, each.joining)


def test_speakers_that_differ_are_not_drawn() -> None:
    speakers = {
        "s1": Speaker("s1", "S", "subwoofer", "boot", 4.0),
        "s2": Speaker("s2", "S", "subwoofer", "boot", 2.0),
    }
    channel = Channel("a.1", "a", "amplifier", 1, ("s1", "s2"), "parallel")
    assert planned_arrangement(speakers, channel) is None


def test_fit_on_channels_and_pairs() -> None:
    """1 ohm is too low for a 2 ohm channel; 4 ohm suits a pair, and each coil gets its share."""
    device = amplifier("a", 2, bridgeable=((1, 2),))
    low, pair = arrangements(2, 2, 4.0)[0], arrangements(2, 2, 4.0)[1]
    assert [fit.suits for fit in fits(low, device)] == [False, False, False]
    bridged = fits(pair, device)[-1]
    assert bridged.channels == (1, 2) and bridged.suits is True
    assert bridged.power_w == pytest.approx(200.0)
    assert bridged.coil_power_w == pytest.approx(50.0)
    uneven = next(
        each for each in arrangements(3, 1, 4.0, equal_only=False) if each.load_ohm == 6.0
    )
    assert fits(uneven, device)[0].coil_power_w == pytest.approx(40.0 * 2 / 3)
    bare = fits(pair, amplifier("a", 1, ratings=(), min_load_ohm=None))[0]
    assert bare.suits is None and bare.power_w is None


@pytest.mark.parametrize("arrangement", arrangements(4, 2, 4.0, equal_only=False)[::29])
def test_drawing(arrangement) -> None:
    """Every coil is drawn once, inside the picture, with nothing a strict CSP would block."""
    svg = ElementTree.fromstring(draw(arrangement))
    space = "{http://www.w3.org/2000/svg}"
    _, _, width, height = (float(each) for each in svg.attrib["viewBox"].split())
    boxes = svg.findall(f"{space}rect")
    assert len(boxes) == 8
    places = {(float(box.attrib["x"]), float(box.attrib["y"])) for box in boxes}
    assert len(places) == 8
    for box in boxes:
        x, y = float(box.attrib["x"]), float(box.attrib["y"])
        assert x > 0 and x + float(box.attrib["width"]) < width
        assert y > 0 and y + float(box.attrib["height"]) < height
    assert svg.find(f"{space}title") is not None and svg.find(f"{space}desc") is not None
    assert all("style" not in each.attrib for each in svg.iter())


@pytest.mark.parametrize(
    "call",
    [
        lambda: join_ohm([], "parallel"),
        lambda: join_ohm([0.0], "single"),
        lambda: join_ohm([4.0, 4.0], "single"),
        lambda: join_ohm([4.0] * 3, "series_parallel"),
        lambda: arrangements(5, 1, 4.0),
        lambda: arrangements(1, 3, 4.0),
        lambda: arrangements(1, 1, 0.0),
        lambda: power_into(amplifier("a", 1), 0.0, False),
    ],
)
def test_outside_validity_is_refused(call) -> None:
    with pytest.raises(LoadError) as caught:
        call()
    assert caught.value.field and caught.value.reason
