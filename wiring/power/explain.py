"""Figures with the sum behind them: formula, the numbers put in, source, what was assumed."""

from wiring.context import Context
from wiring.findings import Figure
from wiring.plan import Assumptions, Plan, Run
from wiring.power.conductors import (
    CONDUCTORS,
    TABLE_AMBIENT_C,
    TABLE_SOURCE,
    Ampacity,
    ampacity,
    resistance_20_ohm_per_m,
    size,
    temperature_coefficient,
)
from wiring.power.demand import demands
from wiring.power.fuses import BODIES, Body, FuseError, body, resistance_ohm
from wiring.power.network import ambient_c, edge_of
from wiring.power.solution import PowerSolution, RunState

CONNECTION_SOURCE = "resistance of a connection: shop's assumption"
TEMPERATURE_ASSUMED = "conductor at the temperature it settles at with long-term music"

_BASIS = {
    "table": "read in the table",
    "next smaller gauge": "the table's next smaller gauge",
    "estimate": "heat balance in still air, an estimate scaled to the table's smallest gauge",
}


def ampacity_figure(run: Run, assumptions: Assumptions) -> Figure:
    """Current the run's conductor may carry without end, and from which table. Raises."""
    conductor = run.conductor
    limit = ampacity(
        conductor.size,
        conductor.metal,
        conductor.insulation_c,
        ambient_c(assumptions, run),
        run.bundled,
    )
    return Figure(
        f"current {conductor.size} may carry",
        limit.current_a * run.parallel,
        "A",
        "I = I(table) x sqrt((Ti - Ta) / (Ti - 30)) x bundle factor x metal factor x cables",
        _ampacity_worked(limit, run, ambient_c(assumptions, run)),
        TABLE_SOURCE if limit.basis != "estimate" else "heat balance, estimate",
        (
            f"{limit.column_c:g} degC column at {TABLE_AMBIENT_C:g} degC, {_BASIS[limit.basis]}",
            "bundle factor: note 2 of the table, law at 50 V or more, here a caution",
            "air temperature: shop's assumption",
        ),
    )


def _ampacity_worked(limit: Ampacity, run: Run, air_c: float) -> str:
    where = f" ({limit.gauge})" if limit.gauge else " (estimate)"
    return (
        f"{limit.base_a:.4g} A{where} x {limit.ambient_factor:.3f} ({air_c:g} degC) x "
        f"{limit.bundle_factor:g} x {limit.metal_factor:.3f} x {run.parallel}"
    )


def resistance_figure(run: Run, assumptions: Assumptions, conductor_c: float) -> Figure:
    """Resistance of a run with its connections and fuse, at a conductor temperature. Raises."""
    conductor = run.conductor
    edge = edge_of(run, assumptions)
    per_metre = resistance_20_ohm_per_m(conductor.size, conductor.metal, conductor.stranding)
    rise = 1.0 + temperature_coefficient(conductor.metal) * (conductor_c - 20.0)
    fuse = ""
    for each in (run.fuse, run.far_fuse):
        if each is not None and edge.problem is None:
            fuse += f" + {resistance_ohm(_body(each.body), each.rating_a) * 1000:.3f}"
    return Figure(
        f"resistance of {run.length_m:g} m of {conductor.size}",
        (edge.ohm_20 * rise + edge.fixed_ohm) * 1000,
        "mohm",
        "R = R20 x length x (1 + a (T - 20)) / cables + connections + fuse",
        f"{per_metre * 1000:.4f} mohm/m x {run.length_m:g} m x {rise:.4f} ({conductor_c:.0f} degC)"
        f" / {run.parallel} + {run.connections} x {assumptions.connection_ohm * 1000:g}{fuse}",
        size(conductor.size).source,
        (
            TEMPERATURE_ASSUMED,
            CONNECTION_SOURCE,
            CONDUCTORS["metals"][conductor.metal]["source"],
            CONDUCTORS["stranding"][conductor.stranding]["source"],
        ),
    )


def _body(name: str) -> Body:
    """The body of that name, a blade fuse where it is not known, as the network takes it."""
    try:
        return body(name)
    except FuseError:
        return BODIES["blade"]


def drop_figure(run: Run, state: RunState) -> Figure:
    """Voltage drop along a run."""
    return Figure(
        f"drop in {run.id}",
        abs(state.drop_v),
        "V",
        "U = I R",
        f"{abs(state.current_a):.2f} A x {state.resistance_ohm * 1000:.3f} mohm",
        "Ohm's law",
        (TEMPERATURE_ASSUMED,),
    )


def heat_figure(run: Run, state: RunState) -> Figure:
    """Heat made in a run."""
    return Figure(
        f"heat in {run.id}",
        state.heat_w,
        "W",
        "P = I^2 R",
        f"({abs(state.current_a):.2f} A)^2 x {state.resistance_ohm * 1000:.3f} mohm",
        "Joule's law",
        (TEMPERATURE_ASSUMED,),
    )


def supply_figure(solution: PowerSolution) -> Figure:
    """Voltage at the battery terminals and where it comes from."""
    supply = solution.plan.supply
    total = solution.source_a
    limit = supply.alternator_a if solution.engine == "cruising" else supply.alternator_idle_a
    if solution.regime == "charging":
        formula, worked = "alternator in regulation", f"{supply.charging_v:g} V"
    elif solution.engine == "off":
        formula = "U = Un - Ri I"
        worked = (
            f"{supply.nominal_v:g} V - {supply.internal_resistance_ohm * 1000:g} mohm "
            f"x {total:.1f} A"
        )
    elif solution.regime == "alternator at its limit":
        formula = "the voltage at which the load takes what the alternator has to spare"
        worked = f"{total:.1f} A taken = {limit or 0:g} A - {supply.base_load_a:g} A"
    else:
        formula = "U = Un - Ri (I + base load - alternator)"
        worked = (
            f"{supply.nominal_v:g} V - {supply.internal_resistance_ohm * 1000:g} mohm x "
            f"({total:.1f} + {supply.base_load_a:g} - {limit or 0:g}) A"
        )
    return Figure(
        "voltage at the battery",
        solution.terminal_v,
        "V",
        formula,
        worked,
        "Kirchhoff's laws; battery and alternator figures of the plan",
        ("a full battery takes no charge",),
    )


def device_figures(solution: PowerSolution, device_id: str) -> tuple[Figure, ...]:
    """Voltage, current and power left of one device of the solution."""
    state = solution.devices[device_id]
    device = next(each for each in solution.plan.devices if each.id == device_id)
    return_v = solution.return_v[device_id]
    figures = [
        Figure(
            f"voltage at {device.name}",
            state.voltage_v,
            "V",
            "U = U(feed) - U(return), node voltages by Newton's method",
            f"{solution.node_v[device_id]:.3f} V - {return_v:.3f} V",
            "Kirchhoff's laws",
            (TEMPERATURE_ASSUMED,),
        ),
        Figure(
            f"current into {device.name}",
            state.current_a,
            "A",
            "I = P / U, the power held as the voltage falls"
            if device.regulated is not False
            else "I = P U / U(rated)^2, unregulated",
            f"{state.current_a * state.voltage_v:.1f} W / {state.voltage_v:.3f} V",
            "energy balance",
        ),
    ]
    if device.kind == "amplifier":
        output_w = demands(Context(solution.plan))[device_id].output_w
        figures.append(
            Figure(
                f"power available to the speakers of {device.name}",
                output_w * state.power_fraction,
                "W",
                "rated power of the channels in use x part left at this voltage",
                f"{output_w:g} W x {state.power_fraction:.3f}",
                "maker's ratings; output follows the supply unless it is regulated",
            )
        )
        figures.append(
            Figure(
                f"power left at the speakers of {device.name}",
                100 * state.power_fraction,
                "%",
                "100 % when regulated, else (U / U(rated))^2, nothing under the cut-off",
                f"({state.voltage_v:.2f} / {device.rated_supply_v:g})^2"
                if not device.regulated
                else "regulated",
                "output of an unregulated amplifier follows its supply",
                () if device.regulated is not None else ("regulation not stated: taken as none",),
            )
        )
    return tuple(figures)


def solution_figures(solution: PowerSolution) -> tuple[Figure, ...]:
    """Every figure of a solution: the supply, then each device, then each run."""
    plan: Plan = solution.plan
    figures = [supply_figure(solution)]
    for device_id in solution.devices:
        figures += device_figures(solution, device_id)
    for run in plan.runs:
        state = solution.runs[run.id]
        figures += [drop_figure(run, state), heat_figure(run, state)]
        if state.allowed_a:
            figures += [
                resistance_figure(run, plan.assumptions, state.conductor_c),
                ampacity_figure(run, plan.assumptions),
            ]
    return tuple(figures)
