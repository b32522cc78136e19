"""The power network against other solvers, Kirchhoff's laws and closed forms.

[battery] --r--> [block] --r1--> [a] --+
                         --r2--> [b] --+--> [body] --> [battery]
"""

import random
from itertools import pairwise
from math import sqrt

import numpy as np
import pytest
from scipy.optimize import root

from tests.wiring.plans import amplifier, assuming, changed, good_plan, large_plan, supplied
from wiring.context import Context
from wiring.plan import Channel, Conductor, Plan, Rating, Run, Speaker, Supply
from wiring.power.conductors import size
from wiring.power.explain import solution_figures
from wiring.power.network import network, newton
from wiring.power.solution import PowerSolution, loads_at, solve

SIZES = ("10 AWG", "8 AWG", "4 AWG", "2 AWG", "16 mm2", "25 mm2")


def any_plan(seed: int, *, meshed: bool) -> Plan:
    """A random network of up to five amplifiers over up to three blocks, all returned."""
    chance = random.Random(seed)
    count = chance.randint(1, 5)
    blocks = [f"block{index}" for index in range(chance.randint(1, 3))]
    runs: list[Run] = []

    def cable(run_id: str, kind: str, start: str, end: str) -> None:
        runs.append(
            Run(
                run_id,
                kind,
                start,
                end,
                Conductor(chance.choice(SIZES)),
                chance.uniform(0.3, 5.0),
                parallel=chance.randint(1, 2),
            )
        )

    for index, block in enumerate(blocks):
        cable(
            f"f{block}", "feed", "battery" if index == 0 else chance.choice(blocks[:index]), block
        )
    for index in range(count):
        device = f"amp{index}"
        cable(f"f{device}", "feed", chance.choice(blocks), device)
        cable(f"r{device}", "return", device, chance.choice(["body", "battery"]))
        if meshed:
            cable(f"g{device}", "feed", chance.choice(["battery", *blocks]), device)
            cable(f"s{device}", "return", device, chance.choice(["body", "battery"]))
    devices = tuple(
        amplifier(
            f"amp{index}",
            1,
            ratings=(Rating(4.0, chance.uniform(20.0, 250.0)),),
            regulated=chance.choice([True, True, False]),
        )
        for index in range(count)
    )
    return Plan(
        devices=devices,
        speakers=tuple(Speaker(f"s{index}", "S", "woofer", "boot", 4.0) for index in range(count)),
        channels=tuple(
            Channel(f"c{index}", f"amp{index}", "amplifier", 1, speakers=(f"s{index}",))
            for index in range(count)
        ),
        runs=tuple(runs),
        supply=Supply(alternator_a=chance.choice([None, 60.0, 120.0])),
    )


def nodal_answer(plan: Plan, solution: PowerSolution) -> dict[str, float]:
    """Device voltages by node equations and a general solver, from the same resistances."""
    resistances = [
        (f"{run.kind} {run.from_node}", f"{run.kind} {run.to_node}", solution.runs[run.id])
        for run in plan.runs
    ]
    edges = [(start, end, state.resistance_ohm) for start, end, state in resistances]
    edges.append(("return body", "return battery", plan.assumptions.body_return_ohm))
    fixed = {"feed battery": solution.terminal_v, "return battery": 0.0}
    nodes = sorted({node for start, end, _ in edges for node in (start, end)} - set(fixed))
    order = {node: index for index, node in enumerate(nodes)}
    context = Context(plan)
    loads = loads_at(context, [device.id for device in plan.devices], "full")

    def surplus(volts: np.ndarray) -> np.ndarray:
        left = np.zeros(len(nodes))
        at = {**fixed, **{node: volts[index] for node, index in order.items()}}
        for start, end, ohm in edges:
            current = (at[start] - at[end]) / ohm
            for node, sign in ((start, -1.0), (end, +1.0)):
                if node in order:
                    left[order[node]] += sign * current
        for index, device in enumerate(plan.devices):
            across = at[f"feed {device.id}"] - at[f"return {device.id}"]
            current = loads.power_w[index] / across + loads.conductance_s[index] * across
            left[order[f"feed {device.id}"]] -= current
            left[order[f"return {device.id}"]] += current
        return left

    start = np.array([solution.terminal_v if n.startswith("feed") else 0.0 for n in nodes])
    found = root(surplus, start, method="hybr", tol=1e-13)
    assert np.abs(surplus(found.x)).max() < 1e-8
    at = dict(zip(nodes, found.x, strict=True))
    return {d.id: at[f"feed {d.id}"] - at[f"return {d.id}"] for d in plan.devices}


@pytest.mark.parametrize("meshed", [False, True])
@pytest.mark.parametrize("seed", range(12))
def test_against_a_general_solver(seed: int, meshed: bool) -> None:
    """Newton on the reduced equations and scipy.optimize.root on all node equations agree."""
    plan = any_plan(seed, meshed=meshed)
    solution = solve(plan)
    if not solution.solved:
        pytest.skip("this supply cannot carry it; covered by the collapse tests")
    for device_id, volt in nodal_answer(plan, solution).items():
        assert solution.devices[device_id].voltage_v == pytest.approx(volt, rel=1e-9)


@pytest.mark.parametrize("meshed", [False, True])
@pytest.mark.parametrize("at", ["full", "music", "idle"])
def test_kirchhoff_and_energy(at: str, meshed: bool) -> None:
    """Currents add up at each node, voltages around each path, and no energy is lost."""
    for seed in range(8):
        plan = any_plan(seed, meshed=meshed)
        solution = solve(plan, at)
        total = solution.source_a
        for node in {*solution.node_v} - {"battery"}:
            left = -solution.devices[node].current_a if node in solution.devices else 0.0
            for run in plan.runs:
                if run.kind == "feed" and node in (run.from_node, run.to_node):
                    current = solution.runs[run.id].current_a
                    left += current if run.to_node == node else -current
            assert abs(left) <= 1e-9 * max(1.0, total)
        for run in plan.runs:
            volts = solution.node_v if run.kind == "feed" else solution.return_v
            across = volts[run.from_node] - volts[run.to_node]
            assert across == pytest.approx(solution.runs[run.id].drop_v, rel=1e-9, abs=1e-12)
        for device_id, state in solution.devices.items():
            between = solution.node_v[device_id] - solution.return_v[device_id]
            assert between == pytest.approx(state.voltage_v, rel=1e-9)
        body_v = solution.return_v.get("body", 0.0)
        heat = sum(state.heat_w for state in solution.runs.values())
        heat += body_v**2 / plan.assumptions.body_return_ohm
        used = sum(state.voltage_v * state.current_a for state in solution.devices.values())
        assert solution.terminal_v * total == pytest.approx(used + heat, rel=1e-9)


def test_one_load_has_a_closed_form() -> None:
    """V = (E + sqrt(E^2 - 4 P R)) / 2; twice the current of a light load near the limit."""
    for power in (0.0, 10.0, 400.0, 999.0):
        found = newton([[0.05]], 14.2, 0.0, [power], [0.0], [0.0])
        assert found is not None
        assert found[0] == pytest.approx((14.2 + sqrt(14.2**2 - 4 * power * 0.05)) / 2, rel=1e-12)


def test_collapse_is_where_theory_puts_it() -> None:
    """No voltage satisfies P > E^2 / 4R: maximum power transfer."""
    limit = 14.2**2 / 4 / 0.05
    assert newton([[0.05]], 14.2, 0.0, [limit * 1.0001], [0.0], [0.0]) is None
    found = newton([[0.05]], 14.2, 0.0, [limit * 0.9999], [0.0], [0.0])
    assert found is not None and found[0] > 14.2 / 2


@pytest.mark.parametrize("seed", range(20))
def test_newton_falls_onto_the_highest_solution(seed: int) -> None:
    """Every iterate is at or under the one before, and over the solution (monotone Newton)."""
    plan = any_plan(seed, meshed=seed % 2 == 1)
    context = Context(plan)
    net = network(context)
    loads = loads_at(context, net.ports, "full")
    power = [a + b * 14.4**2 for a, b in zip(loads.power_w, loads.conductance_s, strict=True)]
    none = [0.0] * len(power)
    trace: list[list[float]] = []
    found = newton(net.transfer_ohm, 14.2, 0.002, power, none, none, trace)
    if found is None:
        pytest.skip("no solution to fall onto")
    for before, after in pairwise([*trace, found]):
        for earlier, later, least in zip(before, after, found, strict=True):
            assert earlier >= later - 1e-12
            assert later >= least - 1e-12
    assert len(trace) < 12


def test_ways_of_saying_the_same_agree() -> None:
    """Two runs side by side are one run of two cables; order and an extra joint change nothing."""
    plan = good_plan()
    double = changed(plan, "runs", "main", parallel=2, fuse=None)
    main = next(run for run in double.runs if run.id == "main")
    single = Run("main", "feed", "battery", "block", main.conductor, main.length_m)
    beside = Run("beside", "feed", "battery", "block", main.conductor, main.length_m)
    others = tuple(run for run in plan.runs if run.id != "main")
    twice = Plan(**{**_parts(plan), "runs": (single, beside, *others)})
    assert network(Context(twice)).feed.meshed and not network(Context(double)).feed.meshed
    first, second = solve(double), solve(twice)
    for device_id, state in first.devices.items():
        assert second.devices[device_id].voltage_v == pytest.approx(state.voltage_v, rel=1e-12)
    back = Plan(**{**_parts(plan), "runs": plan.runs[::-1], "devices": plan.devices[::-1]})
    for device_id, state in solve(plan).devices.items():
        assert solve(back).devices[device_id].voltage_v == pytest.approx(state.voltage_v)
    half = {"length_m": 2.25, "connections": 1}
    split = changed(assuming(plan, connection_ohm=0.0), "runs", "main", **half)
    rest = Run("rest", "feed", "joint", "block", main.conductor, 2.25, connections=1)
    split = changed(split, "runs", "main", to_node="joint")
    split = Plan(**{**_parts(split), "runs": (*split.runs, rest)})
    whole = solve(assuming(plan, connection_ohm=0.0))
    for device_id, state in whole.devices.items():
        assert solve(split).devices[device_id].voltage_v == pytest.approx(state.voltage_v)


def _parts(plan: Plan) -> dict[str, object]:
    return {name: getattr(plan, name) for name in plan.__struct_fields__}


def test_more_resistance_never_raises_a_voltage() -> None:
    plan = good_plan()
    before = solve(plan).devices
    for run in plan.runs:
        after = solve(changed(plan, "runs", run.id, length_m=run.length_m + 2)).devices
        assert all(after[each].voltage_v <= before[each].voltage_v for each in before)


def test_current_rises_as_the_voltage_falls() -> None:
    """A regulated amplifier holds its power, an unregulated one lets it fall with U^2."""
    plan = changed(good_plan(), "runs", "main", conductor=Conductor("4 AWG"))
    held = solve(plan).devices["amp6"]
    assert held.current_a * held.voltage_v == pytest.approx(360 / 0.8)
    assert held.current_a > solve(good_plan()).devices["amp6"].current_a
    assert held.power_fraction == 1.0
    for regulated in (False, None):
        loose = solve(changed(plan, "devices", "amp6", regulated=regulated)).devices["amp6"]
        assert loose.power_fraction == pytest.approx((loose.voltage_v / 14.4) ** 2)
    assert loose.current_a == pytest.approx(held.current_a)


def test_alternator_and_battery_share_the_load() -> None:
    """Within the alternator's means the charging voltage holds, beyond them the battery's does."""
    plan = good_plan()
    assert solve(plan).terminal_v == plan.supply.charging_v
    weak = solve(supplied(plan, alternator_a=70.0))
    assert weak.regime == "battery helps"
    assert weak.terminal_v == pytest.approx(12.6 - 0.006 * (weak.source_a + 35.0 - 70.0))
    off = solve(plan, engine_running=False)
    assert off.terminal_v == pytest.approx(12.6 - 0.006 * off.source_a)
    assert solve(plan, idling=True).terminal_v <= solve(plan).terminal_v


def test_alternator_at_its_limit_settles_between() -> None:
    """Unregulated loads draw less at less voltage: the point where the alternator just does."""
    plan = good_plan()
    for device_id in ("amp6", "mono"):
        plan = changed(plan, "devices", device_id, regulated=False)
    free, helped = solve(plan).source_a, solve(plan, engine_running=False).source_a
    between = solve(supplied(plan, alternator_a=35.0 + (free + helped) / 2))
    assert between.regime == "alternator at its limit"
    assert between.source_a == pytest.approx((free + helped) / 2, rel=1e-6)
    assert "spare" in solution_figures(between)[0].formula
    assert 12.6 < between.terminal_v < 14.2


def test_a_supply_that_cannot_carry_it_is_an_answer() -> None:
    plan = changed(
        good_plan(), "runs", "main", conductor=Conductor("16 AWG"), length_m=9.0, fuse=None
    )
    solution = solve(plan)
    assert not solution.solved
    assert 0 < solution.carried_fraction < 1
    assert set(solution.devices) == {"amp6", "mono"}
    assert solve(plan, "idle").solved


def test_every_figure_is_explained() -> None:
    for solution in (solve(good_plan()), solve(large_plan(), "music", engine_running=False)):
        figures = solution_figures(solution)
        assert len(figures) > 3 * len(solution.runs)
        for figure in figures:
            assert figure.formula and figure.worked and figure.source and figure.unit


def test_resistance_figure_is_the_resistance_used() -> None:
    """The sum shown for a run is the one the solver used."""
    solution = solve(good_plan())
    shown = [
        each.value for each in solution_figures(solution) if each.label.startswith("resistance of")
    ]
    used = [state.resistance_ohm * 1000 for state in solution.runs.values()]
    assert shown == pytest.approx(used)


def test_conductors_are_warm_from_music() -> None:
    """T = Ta + (Ti - Ta) (I / Iz)^2 by hand for the main run, and its resistance at that."""
    plan = assuming(good_plan(), music_duty=1.0, connection_ohm=0.0)
    plan = changed(plan, "runs", "main", conductor=Conductor("6 AWG"), fuse=None)
    music_a = (360 + 400) / 0.8 / 14.2
    allowed_a = 120 * sqrt((105 - 40) / (105 - 30))
    conductor_c = 40 + (105 - 40) * (music_a / allowed_a) ** 2
    state = solve(plan).runs["main"]
    assert state.conductor_c == pytest.approx(conductor_c)
    cold = 0.017241 / size("6 AWG").area_mm2 * 1.06 * 4.5
    assert state.resistance_ohm == pytest.approx(cold * (1 + 0.00393 * (conductor_c - 20)))


def test_devices_without_a_whole_path_are_named() -> None:
    plan = good_plan()
    runs = tuple(run for run in plan.runs if run.id != "from_mono")
    solution = solve(Plan(**{**_parts(plan), "runs": runs}))
    assert "mono" in solution.unfed and "amp6" in solution.devices
    assert solve(Plan()).devices == {}
