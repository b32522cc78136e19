"""What the sums answer for the screens: figures beside cells, proposals, choices for selects.

`jobs.plan.document` turns rows into the plan; this asks `wiring` about a plan.
"""

import zlib
from functools import cache, lru_cache
from typing import NamedTuple

from django.utils.translation import get_language

from jobs import wording
from jobs.plan.spoken import spoken
from wiring import (
    check as checking,  # noqa: F401 -- registers every rule
    colours,
    plan as doc,
)
from wiring.context import RULES, Context
from wiring.drawings.loads import draw
from wiring.errors import WiringError
from wiring.findings import SEVERITY_ORDER, Figure, Finding
from wiring.loads import (
    Arrangement,
    Fit,
    LoadError,
    arrangements,
    fits,
    has_passive,
    passive_set,
    speaker_loads_ohm,
)
from wiring.positions import POSITIONS, counterpart
from wiring.power import charging, conductors, fuses
from wiring.power.conductors import ConductorError
from wiring.power.demand import DeviceDemand, demands, figures_of
from wiring.power.explain import (
    ampacity_figure,
    device_figures,
    drop_figure,
    heat_figure,
    resistance_figure,
    supply_figure,
)
from wiring.power.facts import between_sources, supplied_v
from wiring.power.network import FACTORY_FEED
from wiring.power.solution import DeviceState, PowerSolution, solve
from wiring.power.speaker_cable import CableFacts, cable_facts, cable_figures
from wiring.proposals import Proposal, Stock, propose, recommend_fuse
from wiring.rules.channels import BEHIND
from wiring.views import shown

__all__ = [
    "FACTORY_FEED",
    "POSITIONS",
    "SEVERITY_ORDER",
    "CableFacts",
    "DeviceDraw",
    "Figure",
    "Finding",
    "LoadChoice",
    "PowerSolution",
    "Proposal",
    "ampacity_sources",
    "battery_figure",
    "cable_figures_of",
    "cables_of",
    "colours",
    "counterpart",
    "device_draws",
    "doc",
    "finding_id",
    "fuse_bodies",
    "fuse_for",
    "loads_of",
    "loads_to_choose",
    "power_at",
    "proposals_for",
    "run_figures",
    "runs_between_sources",
    "section_of",
    "severities",
    "size_choices",
    "supply_figures",
]


class LoadChoice(NamedTuple):
    """One way to wire a channel's speakers, and how it suits that channel and the others."""

    arrangement: Arrangement
    here: Fit | None
    elsewhere: tuple[Fit, ...]
    drawing: str
    chosen: bool


def section_of(finding: Finding) -> str:
    """The section of the bay sheet where a finding is mended."""
    if finding.where and finding.where[0].startswith("function-"):
        is_after = finding.rule in {"function-lost", "signal-heard-otherwise"}
        return "after" if is_after else "before"
    if finding.rule == "fault-code-new":
        return "after"
    if finding.rule == "module-without-backup":
        return "fit"
    if finding.rule in {"read-back-differs", "entered-then-changed", "set-beyond-list"}:
        return "tuning"
    rule = RULES.get(finding.rule)
    return rule.section if rule else "channels"


def finding_id(fingerprint: str) -> str:
    """A finding as the page of findings names it: short, the same while the finding is."""
    return f"{zlib.crc32(fingerprint.encode()):08x}"


def loads_of(plan: doc.Plan) -> dict[str, Figure]:
    """The load each amplifier channel sees, as a figure, where one can be formed."""
    joined = shown(plan, "power")
    alone = doc.Plan(devices=joined.devices, speakers=joined.speakers, channels=joined.channels)
    return dict(_loads(alone, get_language()))


@lru_cache(maxsize=64)
def _loads(plan: doc.Plan, language: str | None) -> dict[str, Figure]:
    """The loads of a plan of which nothing else is known, with their figures as they are written
    in the language."""
    context = Context(plan)
    loads = {}
    for channel in plan.channels:
        load = context.load_ohm.get(channel.id)
        if load is None:
            continue
        each = [wording.quantity(one, "Ω") for one in speaker_loads_ohm(context.speakers, channel)]
        power = context.power_w.get(channel.id)
        behind = passive_set(context.speakers, channel)
        how = "alone" if len(each) == 1 else channel.joining.replace("_", " and ")
        loads[channel.id] = Figure(
            "load",
            load,
            "Ω",
            how if behind is None else behind.how,
            " + ".join(each) if behind is None else " and ".join(each),
            "Ohm's law" if behind is None else BEHIND,
            (
                "nominal impedances, taken as resistances",
                *([f"{wording.quantity(power.power_w, 'W', 0)}: {power.how}"] if power else []),
            ),
        )
    return loads


@cache
def size_choices(us: bool) -> list[tuple[str, list[tuple[str, str]]]]:
    """Conductor sizes for a select, the shop's own system first."""
    gauges = ("AWG", [(one.label, one.label) for one in conductors.GAUGES])
    metric = ("mm²", [(one.label, wording.size(one.label)) for one in conductors.METRIC])
    return [gauges, metric] if us else [metric, gauges]


@cache
def fuse_bodies() -> dict[str, tuple[float, ...]]:
    """Each kind of fuse body with its standard ratings [A]."""
    return {name: fuses.body(name).ratings_a for name in fuses.TABLE["bodies"]}


def severities(findings: list[Finding]) -> dict[str, str]:
    """The worst open severity at each place of the plan, notes left out."""
    worst: dict[str, str] = {}
    for finding in findings:
        if finding.severity == "note":
            continue
        for place in finding.where:
            held = worst.get(place)
            if held is None or SEVERITY_ORDER[finding.severity] < SEVERITY_ORDER[held]:
                worst[place] = finding.severity
    return worst


def power_at(plan: doc.Plan) -> PowerSolution | None:
    """The power path at full output, engine running; None while the plan has no run."""
    return solve(plan, "full") if plan.runs else None


def run_figures(plan: doc.Plan, solution: PowerSolution, label: str) -> list[Figure]:
    """Every figure of one run, with the sums behind them."""
    run = next(one for one in plan.runs if one.id == label)
    state = solution.runs[label]
    figures = [drop_figure(run, state), heat_figure(run, state)]
    if state.allowed_a:
        figures.append(resistance_figure(run, plan.assumptions, state.conductor_c))
        figures.append(ampacity_figure(run, plan.assumptions))
    return figures


def runs_between_sources(plan: doc.Plan) -> frozenset[str]:
    """The runs between two batteries, which are fused at both ends."""
    return between_sources(Context(plan)) if plan.runs else frozenset()


def cables_of(plan: doc.Plan) -> dict[str, CableFacts]:
    """What the speaker cable of each channel takes and carries, where the sums answer for it."""
    context = Context(plan)
    found = {}
    for channel in plan.channels:
        try:
            facts = cable_facts(context, channel)
        except WiringError:
            continue
        if facts is not None:
            found[channel.id] = facts
    return found


def cable_figures_of(plan: doc.Plan, facts: CableFacts) -> tuple[Figure, ...]:
    """The figures of one speaker cable with the sums behind them."""
    return cable_figures(Context(plan), facts)


def proposals_for(plan: doc.Plan, label: str, kept: Stock) -> list[Proposal]:
    """The smallest cable with its fuse for one run, in copper and in copper-clad aluminium; what
    the shop keeps is tried first."""
    return [propose(plan, label, metal, kept) for metal in ("copper", "copper_clad_aluminium")]


def fuse_for(plan: doc.Plan, label: str, kept: Stock) -> Proposal | None:
    """The fuse for the cable a feed has now; None for a return, which has none."""
    run = next(one for one in plan.runs if one.id == label)
    return recommend_fuse(plan, label, kept) if run.kind == "feed" else None


def ampacity_sources(plan: doc.Plan, label: str = "") -> list[str]:
    """The tables that say what the plan's cables, or one run's, may carry."""
    sources: dict[str, None] = {}
    for run in plan.runs:
        if label and run.id != label:
            continue
        try:
            sources[ampacity_figure(run, plan.assumptions).source] = None
        except ConductorError:
            continue
    return list(sources)


class DeviceDraw(NamedTuple):
    """What one device asks of the supply, and what it gets where its path is whole.

    Currents in A at the voltage it is fed with, the plan's charging voltage or that of the
    converter before it; `power_w` is what is left for its speakers,
    None where that cannot be told: no whole path, or a supply that cannot carry full output.
    """

    id: str
    name: str
    full_a: float
    music_a: float
    idle_a: float
    voltage_v: float | None
    power_w: float | None
    figures: tuple[Figure, ...]


def device_draws(plan: doc.Plan, solution: PowerSolution | None) -> list[DeviceDraw]:
    """What each device that draws from the supply asks of it, with the sums behind it."""
    context = Context(plan)
    draws = demands(context)
    states = solution.devices if solution else {}
    return [
        _draw(context, device, draws[device.id], states.get(device.id), solution)
        for device in plan.devices
        if draws[device.id].full_w > 0
    ]


def _draw(
    context: Context,
    device: doc.Device,
    asked: DeviceDemand,
    state: DeviceState | None,
    solution: PowerSolution | None,
) -> DeviceDraw:
    supply_v = supplied_v(context, device.id)
    figures = figures_of(context, device, asked, supply_v)
    if solution and state:
        figures += device_figures(solution, device.id)
    carried = solution is not None and solution.solved and device.kind == "amplifier"
    return DeviceDraw(
        device.id,
        device.name,
        asked.current_a("full", supply_v),
        asked.current_a("music", supply_v),
        device.idle_current_a,
        state.voltage_v if state else None,
        asked.output_w * state.power_fraction if carried and state else None,
        figures,
    )


def battery_figure(solution: PowerSolution) -> Figure:
    """Voltage at the battery and where it comes from."""
    return supply_figure(solution)


def supply_figures(plan: doc.Plan) -> list[Figure]:
    """Charging balance, charge left and days parked, as far as the plan has ground for them."""
    try:
        return list(charging.report(plan).figures)
    except WiringError:
        return []


def loads_to_choose(
    plan: doc.Plan, channel_id: str, speaker_ids: tuple[str, ...]
) -> list[LoadChoice]:
    """The ways to wire a channel's speakers that give each coil equal power, lowest load first.

    Empty when the speakers are not of one kind of coil, or are more than the sums answer for.
    """
    context = Context(plan)
    channel = context.channels.get(channel_id)
    speakers = [context.speakers[one] for one in speaker_ids if one in context.speakers]
    kinds = {(speaker.coils, speaker.impedance_ohm) for speaker in speakers}
    if channel is None or len(kinds) != 1 or has_passive(context.speakers, channel):
        return []
    device = context.devices[channel.device]
    coils, coil_ohm = kinds.pop()
    numbers = {channel.number, channel.bridged_with or channel.number}
    wanted = tuple(sorted(numbers))
    try:
        ways = arrangements(len(speakers), coils, coil_ohm)
    except LoadError:
        return []
    now = context.load_ohm.get(channel_id)
    chosen = {(channel.joining, speaker.coil_joining) for speaker in speakers}
    choices = []
    for one in ways:
        places = fits(one, device)
        here = next((fit for fit in places if fit.channels == wanted), None)
        others = [fit for fit in places if fit.channels != wanted and fit.suits]
        choices.append(
            LoadChoice(
                one,
                here,
                tuple(others),
                spoken(draw(one)),
                now is not None and {(one.joining, one.coil_joining)} == chosen,
            )
        )
    return choices
