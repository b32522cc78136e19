"""Rows to the plan document and back: the one place where jobs meets wiring."""

import hashlib
import zlib
from functools import cache, lru_cache
from importlib.resources import files
from itertools import groupby
from operator import attrgetter, itemgetter
from typing import Any, Final

import msgspec

from jobs import wording
from jobs.errors import Refused
from jobs.models import HeardFrom, Job, MeasuredPhase, TuningKind
from jobs.models.job import is_overwritten
from jobs.plan import rows as plan_rows
from jobs.plan.columns import (
    ASSUMPTIONS,
    CHANNEL,
    DEVICE,
    RUN,
    setting_of,
    speaker_of,
    supply_facts,
)
from jobs.plan.entered import read_back_findings
from jobs.plan.fault_codes import codes_said, new_codes
from jobs.plan.heard import level_change
from jobs.plan.limits import limits_in
from jobs.plan.place_heard import with_places_heard
from jobs.plan.polarity import with_polarity_heard
from jobs.plan.power import ampacity_sources, device_draws, power_at, supply_figures
from jobs.plan.tuning import heard_at
from shop.models import Product, ProductKind, Shop
from shop.models.products import LIMIT_FIELDS, InputFrom, fuses_in, pairs_in
from shop.prepared import Kept, Told, Unread, together
from shop.vin import VinReport as VinReport, examine
from wiring import check as checking, plan as doc, tables
from wiring.context import Context
from wiring.drawings.loads import draw
from wiring.errors import WiringError
from wiring.findings import SEVERITY_ORDER, Finding
from wiring.loads import planned_arrangement
from wiring.power.explain import solution_figures
from wiring.power.solution import DeviceState, PowerSolution, RunState, solve
from wiring.tuning import gain

DEVICE_KINDS = {
    ProductKind.AMPLIFIER: "amplifier",
    ProductKind.PROCESSOR: "processor",
    ProductKind.INTERFACE: "interface",
    ProductKind.BATTERY: "battery",
    ProductKind.CAPACITOR: "capacitor",
    ProductKind.ISOLATOR: "isolator",
    ProductKind.CONVERTER: "converter",
}

DRAW_FIGURES = ("full_a", "music_a", "idle_a", "voltage_v", "power_w")


def _device(rows: list[Any]) -> doc.Device:
    """A source part of the job as a device of the plan; one row a rating."""
    row = rows[0]
    return DEVICE.read(
        row,
        id=row.label,
        name=f"{row.product_maker} {row.product_name}",
        kind=DEVICE_KINDS[ProductKind(row.product_kind)],
        ratings=tuple(
            doc.Rating(
                one.product_ratings_load_ohm,
                one.product_ratings_power_w,
                one.product_ratings_bridged,
            )
            for one in rows
            if one.product_ratings_load_ohm is not None
        ),
        bridgeable=pairs_in(row.product_bridgeable),
        built_in_fuses_a=fuses_in(row.product_built_in_fuses),
        battery_chemistry=row.product_battery_chemistry or None,
        turn_on=row.turn_on or row.product_turn_on,
        turn_on_by=row.turn_on_by_label,
        input_from=row.input_from,
        digital_input=row.digital_input,
        input_from_v=row.input_from_v,
        limits=limits_in(*(getattr(row, f"product_{name}") for name in LIMIT_FIELDS)),
    )


def _speaker(row: Any) -> doc.Speaker:
    """A speaker of the job as a speaker of the plan."""
    return speaker_of(row, id=row.label, factory=row.part is None)


def _channel(rows: list[Any], setting: Any) -> doc.Channel:
    """A channel with its setting as a channel of the plan; one row a speaker."""
    row = rows[0]
    return CHANNEL.read(
        row,
        id=wording.mark(row.part_label, row.kind, row.number),
        device=row.part_label,
        speakers=tuple(one.speakers_label for one in rows if one.speakers_label is not None),
        feeds_device=row.feeds_part_label,
        setting=setting_of(setting),
    )


def _run(row: Any) -> doc.Run:
    """A power run as a run of the plan."""
    return RUN.read(row, id=row.label)


def assumptions_of(shop: Shop) -> doc.Assumptions:
    """What the shop takes for granted."""
    return ASSUMPTIONS.read(
        shop,
        max_drop_fraction=shop.max_drop_percent / 100,
        max_full_drop_fraction=shop.max_full_drop_percent / 100,
        music_duty=shop.music_duty_percent / 100,
        bass_duty=shop.bass_duty_percent / 100,
    )


def _supply_of(rows: list[Any], readings: list[Any]) -> doc.Supply:
    known: dict[str, Any] = supply_facts(rows[0]) if rows else {}
    for reading in readings:
        if reading.kind == "battery_rest" and _plausible_v(reading.after_value):
            known["rest_v"] = reading.after_value
        elif reading.kind == "key_off":
            known["key_off_before_a"] = reading.before_value
            known["key_off_after_a"] = reading.after_value
        elif reading.kind == "charging" and _plausible_v(reading.after_value):
            known["charging_v"] = reading.after_value
    return doc.Supply(**known)


def _plausible_v(value: float | None) -> bool:
    return value is not None and 1 <= value <= 60


def _grouped(rows: list[Any], key: str) -> list[list[Any]]:
    """Rows that follow each other with the same value of `key`, together."""
    return [list(group) for _, group in groupby(rows, attrgetter(key))]


_DEVICES: Final = Kept(plan_rows.devices, lambda rows: tuple(map(_device, _grouped(rows, "label"))))
_SPEAKERS: Final = Kept(plan_rows.speakers, lambda rows: tuple(map(_speaker, rows)))
_RUNS: Final = Kept(plan_rows.runs, lambda rows: tuple(map(_run, rows)))
_CHANNELS: Final = Unread(plan_rows.channels)
_SETTINGS: Final = {kind: Unread(read) for kind, read in plan_rows.settings.items()}
"""One channel is changed at a time, so each is kept by itself, with its setting."""

_key_first: Final = itemgetter(0)
"""The rows of channels and of settings begin with the channel's key."""


@lru_cache(maxsize=2048)
def _channel_told(told: Told) -> doc.Channel:
    """A channel of what the database answered of it and of its setting."""
    rows, setting = told.rows
    (row,) = plan_rows.settings[TuningKind.AFTER].given([setting]) if setting else (None,)
    return _channel(plan_rows.channels.given(rows), row)


def _channels_told(channels: list[Any], settings: list[Any]) -> tuple[doc.Channel, ...]:
    set_to = {row[0]: row for row in settings}
    return tuple(
        _channel_told(Told((list(rows), set_to.get(pk))))
        for pk, rows in groupby(channels, _key_first)
    )


def plan_of(job: Job, kind: str = TuningKind.AFTER, shop: Shop | None = None) -> doc.Plan:
    """The job's plan with its settings as left, or as found."""
    settings, supply, readings, devices, speakers, channels, runs = together(
        job.pk,
        _SETTINGS[TuningKind(kind)],
        plan_rows.supply,
        plan_rows.supply_readings,
        _DEVICES,
        _SPEAKERS,
        _CHANNELS,
        _RUNS,
    )
    plan = doc.Plan(
        devices=devices,
        speakers=speakers,
        channels=_channels_told(channels, settings),
        runs=runs,
        supply=_supply_of(supply, readings),
        assumptions=assumptions_of(shop or Shop.objects.current()),
    )
    if kind == TuningKind.BEFORE:
        return plan
    left = [row for row in supply if row.job_recordings_phase == MeasuredPhase.AFTER]
    plan = with_polarity_heard(plan, [row.job_recordings_polarity for row in left])
    return with_places_heard(plan, [row.job_recordings_places for row in left])


def _heard_finding(row: Any) -> Finding | None:
    """A signal of the car comes from another place than before, or at another level."""
    said = []
    if row.before_heard_from and row.after_heard_from not in ("", row.before_heard_from):
        was, now = (HeardFrom(one).label for one in (row.before_heard_from, row.after_heard_from))
        said.append(f"heard from “{was}” before and from “{now}” now")
    if change := level_change(row.before_level, row.after_level):
        said.append(f"{change} than before ({row.before_level}, now {row.after_level})")
    if not said:
        return None
    return Finding(
        rule="signal-heard-otherwise",
        severity="caution",
        title=f"{row.name}: {'; '.join(said)}",
        where=(f"function-{row.pk}",),
        what_to_do="Put its speaker and level back as they were, or give the reason.",
        source="Common practice, no source",
    )


def _function_findings(rows: list[Any]) -> list[Finding]:
    """What the function checks say: a function that worked before and not after is a stop."""
    findings = []
    for row in rows:
        if row.after == "works":
            if (heard := _heard_finding(row)) is not None:
                findings.append(heard)
        elif row.after == "":
            continue
        elif row.before == "works":
            findings.append(
                Finding(
                    rule="function-lost",
                    severity="stop",
                    title=f"{row.name} worked before and does not now",
                    where=(f"function-{row.pk}",),
                    what_to_do="Find and restore it before the car leaves, then try it again.",
                    source="Shop rule; for required warnings see 49 USC 30122 (1994), which binds "
                    "businesses not to make them inoperative. Information, not legal advice.",
                    detail=row.after_note,
                )
            )
        elif row.before == "fault" and row.after == "fault":
            findings.append(
                Finding(
                    rule="function-fault-on-arrival",
                    severity="note",
                    title=f"{row.name} did not work on arrival",
                    where=(f"function-{row.pk}",),
                    what_to_do="Tell the customer; it stands on the sheet as found.",
                    source="Shop rule, no source",
                    detail=row.before_note,
                )
            )
    return findings


def _signal_finding(row: Any) -> Finding | None:
    """A part takes a signal of a kind for which it has no input, by its record."""
    if row.parts_input_from not in (InputFrom.FACTORY_SPEAKER, InputFrom.DIGITAL):
        return None
    product = Product(
        **{name: getattr(row, f"parts_product_{name}") for name in plan_rows.COUNTED_INPUTS}
    )
    speakers = row.parts_input_from == InputFrom.FACTORY_SPEAKER
    signal = "the car's speaker wires" if speakers else "a digital line"
    kind = "speaker-level" if speakers else "digital"
    wanted = "" if speakers else row.parts_digital_input
    if wanted and not product.has_digital_input(wanted):
        signal, kind = f"a digital line at input {wanted}", "such"
    elif (product.speaker_inputs if speakers else product.digital_inputs) != 0:
        return None
    return Finding(
        rule="signal-without-input",
        severity="caution",
        title=f"{row.parts_label} takes its signal from {signal}, without a {kind} input on record",
        where=(row.parts_label,),
        what_to_do="Look at its case: say another signal, or have its record corrected.",
        source="the plan itself",
    )


def _backup_finding(row: Any) -> Finding | None:
    """A part whose old state was read and then written over, and kept nowhere."""
    told = ("parts_firmware_before", "parts_firmware", "parts_data_file")
    if row.parts_backup or row.parts_no_backup:
        return None
    if not is_overwritten(*(getattr(row, name) or "" for name in told)):
        return None
    return Finding(
        rule="module-without-backup",
        severity="caution",
        title=f"{row.parts_label} was written over, and no backup of its old state is named",
        where=(row.parts_label,),
        what_to_do="Say where the backup is kept, or that this part gives none.",
        source="Common practice, no source",
    )


def _beyond_finding(row: Any) -> Finding | None:
    """A part whose program shows something set that is in no line of its list."""
    if not row.parts_beyond:
        return None
    return Finding(
        rule="set-beyond-list",
        severity="caution",
        title=f"{row.parts_label}: its program shows set what is not in the list: "
        f"{row.parts_beyond}",
        where=(row.parts_label,),
        what_to_do="Switch it off in the program, or put it into the settings, then say that "
        "nothing else is set.",
        source="what was read back",
    )


def _fault_code_finding(before: str, after: str) -> Finding | None:
    new = new_codes(before, after)
    if not new:
        return None
    return Finding(
        rule="fault-code-new",
        severity="caution",
        title=f"Fault codes that were not there before the work: {codes_said(new)}",
        where=("fault-codes", f"fault-codes-{zlib.crc32(repr(new).encode()):08x}"),
        what_to_do="Find what stored each, put it right and clear it, or give the reason.",
        source="Shop rule, no source",
    )


def _beside_findings(rows: list[Any]) -> list[Finding]:
    """What fault codes, the inputs of the parts and what was put into them say."""
    if not rows:
        return []
    codes = (rows[0].fault_codes_before_codes, rows[0].fault_codes_after_codes)
    found = [
        _fault_code_finding(*(text or "" for text in codes)),
        *(_signal_finding(row) for row in rows),
        *(_backup_finding(row) for row in rows),
        *(_beyond_finding(row) for row in rows),
    ]
    return [one for one in found if one is not None]


_FUNCTIONS: Final = Kept(plan_rows.faults_after, lambda rows: tuple(_function_findings(rows)))
_BESIDE: Final = Kept(plan_rows.beside_the_plan, lambda rows: tuple(_beside_findings(rows)))


@lru_cache(maxsize=64)
def _checked(
    plan: doc.Plan, distances_m: tuple[tuple[str, float], ...], air_c: float
) -> tuple[Finding, ...]:
    """What the rules find: the same for the same plan, and asked by each page and tablet anew."""
    return checking.check(plan, dict(distances_m), air_c)


def findings_of(job: Job, plan: doc.Plan | None = None) -> list[Finding]:
    """Every finding of the job, the worst first."""
    plan = plan or plan_of(job)
    functions, beside, seats = together(job.pk, _FUNCTIONS, _BESIDE, plan_rows.seats)
    distances_m, air_c = heard_at(seats)
    findings = [
        *functions,
        *beside,
        *read_back_findings(job, plan),
        *_checked(plan, tuple(distances_m.items()), air_c),
    ]
    return sorted(findings, key=lambda finding: SEVERITY_ORDER[finding.severity])


def written(plan: doc.Plan) -> bytes:
    """The plan as bytes: the same as whoever reads them and writes them again gets."""
    return doc.dump(doc.load(doc.dump(plan)))


def checked(document: bytes) -> list[Finding]:
    """What the rules say of a plan that is in no job, as `python -m wiring check` does. Raises
    Refused for what is no plan, and for a figure that no sum can answer for."""
    try:
        return list(checking.check(doc.load(document)))
    except doc.PlanError as error:
        raise Refused(f"{error} `python -m wiring schema` prints what a plan is.") from None
    except (WiringError, ArithmeticError) as error:
        raise Refused(
            f"The plan holds a figure no sum can answer for: {error} Correct it."
        ) from None


def _solution_as_dict(solution: PowerSolution) -> dict[str, Any]:
    built = {
        name: getattr(solution, name)
        for name in ("at", "engine", "solved", "carried_fraction", "regime", "terminal_v")
    }
    return {
        **built,
        "source_a": solution.source_a,
        "node_v": solution.node_v,
        "return_v": solution.return_v,
        "devices": {name: state._asdict() for name, state in solution.devices.items()},
        "runs": {name: state._asdict() for name, state in solution.runs.items()},
        "unfed": list(solution.unfed),
        "figures": [msgspec.to_builtins(figure) for figure in solution_figures(solution)],
    }


def solution_of(plan: doc.Plan, frozen: dict[str, Any]) -> PowerSolution:
    """A solution as it stands in a frozen record, for drawing; nothing is worked out again."""
    names = ("at", "engine", "solved", "carried_fraction", "regime", "terminal_v", "source_a")
    return PowerSolution(
        **{name: frozen[name] for name in names},
        node_v=frozen["node_v"],
        return_v=frozen["return_v"],
        devices={name: DeviceState(**state) for name, state in frozen["devices"].items()},
        runs={name: RunState(**state) for name, state in frozen["runs"].items()},
        unfed=tuple(frozen["unfed"]),
        plan=plan,
    )


def results_of(plan: doc.Plan) -> dict[str, Any]:
    """What the sums say of a plan, as plain types for a frozen record.

    `channels`: load [ohm], what was measured in percent of it, rated power into it [W], where the
    signal clips first, and the drawing of its joined coils, by channel id, where they can be told.
    `devices`: by device id, what it draws [A] at `draws_at_v` and what it gets.
    `ampacity_sources`: by run id, the tables that say what it may carry.
    `power`: the supply solved with the engine running, at full output and with music.
    `standing`: figures of charging and of standing parked.
    """
    context = Context(plan)
    channels: dict[str, dict[str, Any]] = {}
    for channel_id, load in context.load_ohm.items():
        channels[channel_id] = {"load_ohm": load}
        if (power := context.power_w.get(channel_id)) is not None:
            channels[channel_id]["power_w"] = power.power_w
        if measured := context.channels[channel_id].measured_load_ohm:
            channels[channel_id]["measured_percent"] = round(100 * measured / load)
        way = gain.chain(context, context.channels[channel_id])
        if way.first is not None:
            channels[channel_id]["clips_first"] = way.said
        joined = planned_arrangement(context.speakers, context.channels[channel_id])
        if joined is not None:
            channels[channel_id]["drawing"] = draw(joined)
    power_states = {"full": solve(plan, "full"), "music": solve(plan, "music")}
    return {
        "channels": channels,
        "draws_at_v": plan.supply.charging_v,
        "devices": {
            draw.id: {name: getattr(draw, name) for name in DRAW_FIGURES}
            for draw in device_draws(plan, power_at(plan))
        },
        "ampacity_sources": {run.id: ampacity_sources(plan, run.id) for run in plan.runs},
        "power": {name: _solution_as_dict(state) for name, state in power_states.items()},
        "standing": [msgspec.to_builtins(figure) for figure in supply_figures(plan)],
    }


@cache
def published_tables() -> tuple[dict[str, str], ...]:
    """Title, source, status and SHA-256 of each published table the sums read."""
    named = []
    for file in sorted(files(tables).iterdir(), key=lambda entry: entry.name):
        if file.name.endswith(".json"):
            data = tables.load(file.name.removesuffix(".json"))
            named.append(
                {
                    "name": file.name,
                    "title": data["title"],
                    "source": data["source"],
                    "status": data["status"],
                    "sha256": hashlib.sha256(file.read_bytes()).hexdigest(),
                }
            )
    return tuple(named)


def examine_vin(text: str, latest_year: int) -> VinReport:
    """What can be said of a typed VIN; `latest_year` is the newest model year on sale."""
    return examine(text, latest_year)
