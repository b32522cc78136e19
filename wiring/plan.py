"""The plan: one typed document for what is wired to what, over what, with which settings.

The same document stands in the database, in a saved setup, in an export and inside the sheet.
Quantities are SI, the unit is in the name. `load(bytes)` validates, `schema()` publishes the
JSON Schema (draft 2020-12).
"""

import re
from functools import lru_cache
from itertools import pairwise
from math import inf
from typing import Annotated, Any, Final, Literal, NamedTuple

import msgspec
from msgspec import Meta

from wiring.errors import SMALLEST

Id = Annotated[str, Meta(min_length=1, max_length=40)]
Text = Annotated[str, Meta(max_length=200)]
Ohm = Annotated[float, Meta(gt=0, le=1000)]
Watt = Annotated[float, Meta(gt=0, le=20_000)]
Amp = Annotated[float, Meta(ge=0, le=5_000)]
Volt = Annotated[float, Meta(gt=0, le=60)]
Hertz = Annotated[float, Meta(gt=0, le=96_000)]
Metre = Annotated[float, Meta(ge=0, le=100)]
Fraction = Annotated[float, Meta(gt=0, le=1)]
Celsius = Annotated[float, Meta(ge=-40, le=250)]

SpeakerKind = Literal[
    "tweeter", "midrange", "midbass", "woofer", "coaxial", "full_range", "subwoofer"
]
DeviceKind = Literal[
    "amplifier",
    "processor",
    "head_unit",
    "factory_amplifier",
    "interface",
    "battery",
    "capacitor",
    "isolator",
    "converter",
]
TurnOn = Literal["remote_wire", "interface_module", "signal_sense", "ignition_feed", "not_needed"]
FilterFamily = Literal["butterworth", "linkwitz_riley", "bessel"]
SectionKind = Literal[
    "peaking", "low_shelf", "high_shelf", "notch", "all_pass", "low_pass", "high_pass"
]
Metal = Literal["copper", "copper_clad_aluminium"]
Stranding = Literal["flexible", "stranded", "solid"]
Place = Literal["cabin", "engine_bay"]
DigitalInput = Annotated[str, Meta(pattern=r"^((optical|coaxial|network) ([1-9]|[12]\d|3[0-2]))?$")]
"""Which digital input, by kind and number; empty where it is not said or there is but one."""
InputFrom = Literal["", "factory_line", "factory_speaker", "digital"]
RuleBook = Literal["road", "marine"]
Joining = Literal["single", "parallel", "series", "series_parallel"]
Chemistry = Literal["flooded", "agm", "efb", "lithium"]
PolarityHeard = Literal["", "as_set", "contradicted"]
HeardSide = Literal["", "left", "right"]
HeardZone = Literal["", "front", "rear"]


class Document(msgspec.Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True):
    """Base of every part of a plan: immutable, strict about unknown fields."""


class Rating(Document, frozen=True):
    """Rated output power of one channel (or one bridged pair) into one load, all driven."""

    load_ohm: Ohm
    power_w: Watt
    bridged: bool = False


class Device(Document, frozen=True):
    """A source or an amplifier in the job: what it can drive and what it draws.

    `input_max_v` is the highest signal voltage an input takes; not given, the least sensitive
    setting counts. `input_from` says which output outside the plan feeds the device (one of the
    car, or a digital line), `input_from_v` the highest voltage that comes from there,
    `digital_input` which of its digital inputs takes it.

    `efficiency` is output power over supply power at full output. `min_supply_v` is where the
    device shuts down. `turn_on` says how it is told to wake; `turn_on_by` names the device that
    does it, so that "no remote wire, the interface module does it" can be said. `regulated` says
    whether its own supply holds full output as the battery voltage falls; not known counts as
    regulated for the current and as unregulated for the power left at the speaker.

    `max_supply_v` is the highest supply voltage it takes. `built_in_fuses_a` are the fuses in its
    own case. `trigger_output_a` and `trigger_outputs` say how much its remote output gives and to
    how many devices, `trigger_input_a` what its own remote input draws. A second battery is a
    device of kind "battery" and a source; an "isolator" joins two of them. A
    "converter" gives `output_v` to what it feeds. `rated_current_a` is the most that an isolator
    carries or a converter gives. `battery_chemistry` is that of a second battery.
    `output_protected` says whether an amplifier saves itself from a short at its outputs.
    `limits` is what the program of a device with processing takes; its sample rate and number of
    sections are the device's own (`wiring.filters.typing_in.limits_of`).
    """

    id: Id
    name: Text
    kind: DeviceKind
    amplifier_channels: Annotated[int, Meta(ge=0, le=32)] = 0
    line_outputs: Annotated[int, Meta(ge=0, le=32)] = 0
    line_inputs: Annotated[int, Meta(ge=0, le=32)] = 0
    ratings: tuple[Rating, ...] = ()
    min_load_ohm: Ohm | None = None
    min_load_bridged_ohm: Ohm | None = None
    bridgeable: tuple[tuple[int, int], ...] = ()
    amplifier_class: Literal["A", "AB", "B", "D", "G", "H", ""] = ""
    efficiency: Fraction | None = None
    regulated: bool | None = None
    idle_current_a: Amp = 0.0
    min_supply_v: Volt | None = None
    max_supply_v: Volt | None = None
    output_v: Volt | None = None
    rated_current_a: Amp | None = None
    battery_chemistry: Chemistry | None = None
    built_in_fuses_a: tuple[Annotated[float, Meta(gt=0, le=1000)], ...] = ()
    output_protected: bool | None = None
    rated_supply_v: Volt = 14.4
    turn_on: TurnOn = "not_needed"
    turn_on_by: Id | None = None
    trigger_output_a: Amp | None = None
    trigger_outputs: Annotated[int, Meta(ge=0, le=32)] | None = None
    trigger_input_a: Amp | None = None
    sample_rate_hz: Annotated[float, Meta(gt=0, le=384_000)] | None = None
    delay_step_ms: Annotated[float, Meta(gt=0, le=100)] | None = None
    max_sections: Annotated[int, Meta(ge=0, le=64)] | None = None
    line_output_v: Annotated[float, Meta(gt=0, le=50)] | None = None
    input_sensitivity_min_v: Annotated[float, Meta(gt=0, le=50)] | None = None
    input_sensitivity_max_v: Annotated[float, Meta(gt=0, le=50)] | None = None
    input_max_v: Annotated[float, Meta(gt=0, le=100)] | None = None
    input_from: InputFrom = ""
    digital_input: DigitalInput = ""
    input_from_v: Annotated[float, Meta(gt=0, le=100)] | None = None
    limits: "ProcessorLimits | None" = None


class PassivePart(Document, frozen=True):
    """One part of a passive network before a speaker, in series with it or across it.

    What is given of the three stands in series within the part: a coil with its own resistance, a
    capacitor and a resistor that together stand across the speaker.
    """

    place: Literal["series", "across"]
    capacitance_f: Annotated[float, Meta(ge=1e-9, le=1)] | None = None
    inductance_h: Annotated[float, Meta(ge=1e-9, le=10)] | None = None
    resistance_ohm: Annotated[float, Meta(gt=0, le=10_000)] | None = None

    def __post_init__(self) -> None:
        if self.capacitance_f is None and self.inductance_h is None and self.resistance_ohm is None:
            raise ValueError("a passive part has a capacitance, an inductance or a resistance")


class Passive(Document, frozen=True):
    """What stands between a channel and one speaker: the branch of a passive crossover.

    `parts` are its values, from the channel to the speaker. Where they are not known,
    `high_pass` and `low_pass` are the corners its maker states; they are not looked at beside
    `parts`. `inverted` says that the speaker is joined to it the other way round.
    """

    parts: Annotated[tuple[PassivePart, ...], Meta(max_length=12)] = ()
    high_pass: "Crossover | None" = None
    low_pass: "Crossover | None" = None
    inverted: bool = False


class Speaker(Document, frozen=True):
    """A driver (or a coaxial pair) at a position.

    `impedance_ohm` is the nominal impedance of one coil, `coils` how many coils it has and
    `coil_joining` how they are joined at the speaker. `min_high_pass_hz` is the lowest safe
    high-pass corner at `min_high_pass_order` or steeper, from the maker's data.
    `box_limit_hz` is the tuning of a vented box, below which the driver is unloaded. `passive` is
    what of a passive crossover, or which capacitor, stands before it.

    Two coils are joined by `coil_joining`, or fed apart: "single" then, and a channel for each.
    """

    id: Id
    name: Text
    kind: SpeakerKind
    position: Id
    impedance_ohm: Ohm
    coils: Annotated[int, Meta(ge=1, le=2)] = 1
    coil_joining: Joining = "single"
    power_w: Watt | None = None
    min_high_pass_hz: Hertz | None = None
    min_high_pass_order: Annotated[int, Meta(ge=1, le=8)] = 2
    max_low_pass_hz: Hertz | None = None
    box_limit_hz: Hertz | None = None
    factory: bool = False
    passive: Passive | None = None


class Crossover(Document, frozen=True):
    """A high-pass or low-pass: family, order (6 dB per octave each) and corner."""

    family: FilterFamily
    order: Annotated[int, Meta(ge=1, le=8)]
    frequency_hz: Hertz


class Section(Document, frozen=True):
    """One equaliser section as in the W3C Audio EQ Cookbook."""

    kind: SectionKind
    frequency_hz: Hertz
    gain_db: Annotated[float, Meta(ge=-60, le=30)] = 0.0
    q: Annotated[float, Meta(gt=0, le=100)] = 0.707


class Setting(Document, frozen=True):
    """All that a processor does to one channel."""

    high_pass: Crossover | None = None
    low_pass: Crossover | None = None
    level_db: Annotated[float, Meta(ge=-120, le=30)] = 0.0
    delay_ms: Annotated[float, Meta(ge=0, le=1000)] = 0.0
    inverted: bool = False
    muted: bool = False
    sections: tuple[Section, ...] = ()


DelayUnit = Literal["ms", "samples", "cm", "in"]
WidthCounted = Literal["q", "octaves", "pole_q"]
TypedBy = Literal["channel", "setting"]


class Steps(Document, frozen=True):
    """What can be typed for one figure: from `low` to `high` in steps of `step` (any, without
    one), or `values` alone where they are given."""

    low: float
    high: float
    step: Annotated[float, Meta(gt=0)] | None = None
    values: Annotated[tuple[float, ...], Meta(max_length=2000)] = ()

    def __post_init__(self) -> None:
        if self.low > self.high:
            raise ValueError("the lowest value is above the highest")
        if any(not self.low <= one <= self.high for one in self.values):
            raise ValueError("a value is outside the range")
        if any(one >= then for one, then in pairwise(self.values)):
            raise ValueError("the values do not rise")


class Slopes(Document, frozen=True):
    """The orders in which a processor has a family of crossover filters."""

    family: FilterFamily
    orders: Annotated[tuple[Annotated[int, Meta(ge=1, le=8)], ...], Meta(min_length=1)]


class ProcessorLimits(Document, frozen=True):
    """What a processor's own program lets one type; what is not known is None or empty.

    `delay` is in `delay_unit`; where that is a length, `delay_speed_m_s` is the speed of sound the
    program reckons with. `width` is counted as `width_counted` says: "q" as in the W3C Audio EQ
    Cookbook (of a peaking section, between the points of half its gain in dB), "octaves" between
    the same points, "pole_q" as the quality of the resonance itself, Q 10^(|gain| / 40).
    `typed_by` says what the program asks for one after another: channels or settings.
    """

    level_db: Steps | None = None
    delay: Steps | None = None
    delay_unit: DelayUnit = "ms"
    delay_speed_m_s: Annotated[float, Meta(ge=300, le=400)] = 343.0
    sample_rate_hz: Annotated[float, Meta(gt=0, le=384_000)] | None = None
    crossover_hz: Steps | None = None
    slopes: tuple[Slopes, ...] = ()
    section_hz: Steps | None = None
    gain_db: Steps | None = None
    width: Steps | None = None
    width_counted: WidthCounted = "q"
    section_kinds: tuple[SectionKind, ...] = ()
    max_sections: Annotated[int, Meta(ge=0, le=64)] | None = None
    typed_by: TypedBy = "channel"


class Lead(Document, frozen=True):
    """One wire at a plug: cavity and colour. Base and stripe are IEC 60757 codes, kept apart."""

    cavity: Annotated[str, Meta(max_length=20)] = ""
    base: Annotated[str, Meta(max_length=4)] = ""
    stripe: Annotated[str, Meta(max_length=4)] = ""


class Wire(Document, frozen=True):
    """The pair that carries a channel: plug, its two leads, and whether polarity was proved."""

    connector: Annotated[str, Meta(max_length=40)] = ""
    positive: Lead = Lead()
    negative: Lead = Lead()
    polarity_proved: bool | None = None


class SpeakerCable(Document, frozen=True):
    """The pair of conductors from an amplifier channel to what it drives.

    `length_m` is the way there, of one conductor. `insulation_c` not known counts as the coolest
    class of the table. `fuse_a` is a fuse in the pair, where somebody put one.
    """

    size: Annotated[str, Meta(max_length=12)]
    length_m: Annotated[float, Meta(gt=0, le=100)]
    metal: Metal = "copper"
    insulation_c: Celsius = 60.0
    fuse_a: Annotated[float, Meta(gt=0, le=1000)] | None = None


class Channel(Document, frozen=True):
    """One source: an amplifier channel or a line output, and what it feeds.

    An amplifier channel feeds `speakers` joined as `joining`; a line output feeds input
    `feeds_input` of device `feeds_device`. `bridged_with` is the number of the other channel of
    the same device; only the lower number of the pair carries the speakers.

    `output_limit_v` is the highest voltage the output gives as it is set up: what its limiter
    holds it to, or the meter shows at full scale. `stated_load_ohm` is the load that the maker of
    a passive crossover states for the set; it counts where a speaker of the channel has one.

    `polarity_heard` is what a recording of a test signal says of its polarity against the plan's;
    empty where none could tell, or something of it was changed since. `heard_side` and `heard_zone`
    are which channels of the source a recording heard at what the channel feeds, held by the same.
    """

    id: Id
    device: Id
    kind: Literal["amplifier", "line"]
    number: Annotated[int, Meta(ge=1, le=32)]
    speakers: tuple[Id, ...] = ()
    joining: Joining = "single"
    bridged_with: Annotated[int, Meta(ge=1, le=32)] | None = None
    feeds_device: Id | None = None
    feeds_input: Annotated[int, Meta(ge=1, le=32)] | None = None
    wire: Wire | None = None
    cable: SpeakerCable | None = None
    measured_load_ohm: Ohm | None = None
    stated_load_ohm: Ohm | None = None
    output_limit_v: Annotated[float, Meta(gt=0, le=400)] | None = None
    polarity_heard: PolarityHeard = ""
    heard_side: HeardSide = ""
    heard_zone: HeardZone = ""
    setting: Setting = Setting()
    note: Annotated[str, Meta(max_length=500)] = ""


class Conductor(Document, frozen=True):
    """A cable: size is "4 AWG" or "25 mm2"; `insulation_c` the insulation's temperature class.

    `stranding` is the lay of the strands, which sets how much resistance the size may have.
    """

    size: Annotated[str, Meta(max_length=12)]
    metal: Metal = "copper"
    insulation_c: Celsius = 105.0
    stranding: Stranding = "flexible"


class Fuse(Document, frozen=True):
    """A fuse in a run, `distance_m` along the conductor from the run's source end."""

    rating_a: Annotated[float, Meta(gt=0, le=1000)]
    body: Annotated[str, Meta(max_length=30)]
    distance_m: Metre


class Run(Document, frozen=True):
    """One length of cable between two nodes.

    A feed runs away from the battery, a return runs towards it. Nodes are "battery", "body"
    (returns only), "factory feed" (a supply wire of the car itself), a device id, or any name
    given to a distribution point. `far_fuse` is a second fuse, its distance from the run's far
    end: a cable between two sources has one at each.
    """

    id: Id
    kind: Literal["feed", "return"]
    from_node: Id
    to_node: Id
    conductor: Conductor
    length_m: Annotated[float, Meta(gt=0, le=100)]
    parallel: Annotated[int, Meta(ge=1, le=8)] = 1
    place: Place = "cabin"
    bundled: Annotated[int, Meta(ge=1, le=60)] = 1
    connections: Annotated[int, Meta(ge=0, le=20)] = 2
    fuse: Fuse | None = None
    far_fuse: Fuse | None = None
    sheathed: bool = False


class FactoryFeed(Document, frozen=True):
    """A supply wire of the car itself: the fuse before it, and what its maker allows it to give.

    Runs that hang from it begin at the node "factory feed".
    """

    fuse_a: Annotated[float, Meta(gt=0, le=1000)] | None = None
    limit_a: Annotated[float, Meta(gt=0, le=1000)] | None = None


class Supply(Document, frozen=True):
    """Battery and alternator, and what the car itself draws.

    `battery_ah` is the capacity at the 20-hour rate, `reserve_min` how long a full battery gives
    25 A (SAE J537), from which the capacity is reckoned where it is not known.
    """

    nominal_v: Volt = 12.6
    charging_v: Volt = 14.2
    battery_ah: Annotated[float, Meta(gt=0, le=1000)] | None = None
    reserve_min: Annotated[float, Meta(gt=0, le=2000)] | None = None
    battery_chemistry: Chemistry = "flooded"
    internal_resistance_ohm: Annotated[float, Meta(gt=0, le=1)] = 0.006
    rest_v: Volt | None = None
    alternator_a: Amp | None = None
    alternator_idle_a: Amp | None = None
    base_load_a: Amp = 35.0
    key_off_before_a: Amp | None = None
    key_off_after_a: Amp | None = None
    factory_feed: FactoryFeed | None = None


class Assumptions(Document, frozen=True):
    """What the shop takes for granted; each has no public source unless said, all editable.

    `music_duty` is long-term over full output power with broadband music, `bass_duty` that of a
    channel that drives subwoofers alone.

    `max_drop_fraction` is the voltage that long-term music may lose out and back,
    `max_full_drop_fraction` what a full-output tone on every channel may. `rule_book` "marine"
    swaps the shop's fuse distance for 33 CFR 183.455 and allows a fuse of 150 % of the
    conductor's current.
    """

    max_drop_fraction: Fraction = 0.03
    max_full_drop_fraction: Fraction = 0.1
    music_duty: Fraction = 0.125
    bass_duty: Fraction = 0.33
    cabin_c: Celsius = 40.0
    engine_bay_c: Celsius = 70.0
    fuse_distance_m: Annotated[float, Meta(gt=0, le=5)] = 0.45
    body_return_ohm: Annotated[float, Meta(ge=0, le=1)] = 0.001
    connection_ohm: Annotated[float, Meta(ge=0, le=0.1)] = 0.0002
    key_off_limit_a: Amp = 0.05
    rule_book: RuleBook = "road"
    speaker_loss_db: Annotated[float, Meta(gt=0, le=6)] = 0.5
    crossover_gap_db: Annotated[float, Meta(gt=0, le=24)] = 4.0


class Plan(Document, frozen=True):
    """Channel plan and power plan of one job.

    While it is `unfinished`, rows are still being entered: what compares a row with its other
    half waits until that has been entered too.
    """

    schema_version: Literal[1] = 1
    devices: tuple[Device, ...] = ()
    speakers: tuple[Speaker, ...] = ()
    channels: tuple[Channel, ...] = ()
    runs: tuple[Run, ...] = ()
    supply: Supply = Supply()
    assumptions: Assumptions = Assumptions()
    unfinished: bool = False


class PlanError(ValueError):
    """The document is not a plan; the message says where and what is wrong."""


MAX_BYTES = 2_000_000


def load(document: bytes | str) -> Plan:
    """Read a plan from JSON text.

    Raises PlanError with the place in the document when it is too large, is not JSON, does not
    fit the schema, or names the same id twice.
    """
    if len(document) > MAX_BYTES:
        raise PlanError(f"The file is larger than {MAX_BYTES // 1_000_000} MB: this is no plan.")
    try:
        plan = msgspec.json.decode(document, type=Plan)
    except RecursionError:
        raise PlanError("The file is nested too deeply: this is no plan.") from None
    except msgspec.ValidationError as error:
        raise PlanError(f"The plan does not fit its schema: {error}.") from None
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise PlanError(f"The file is not JSON: {error}.") from None
    if slip := not_a_number(plan):
        raise PlanError(
            f"plan{slip.where} is {slip.value:g}: nothing so small is taken. Correct it."
        )
    for name in ("devices", "speakers", "channels", "runs"):
        seen: set[str] = set()
        for part in getattr(plan, name):
            if part.id in seen:
                raise PlanError(f"{name} has the id {part.id!r} twice: give each its own.")
            seen.add(part.id)
    return plan


class Slip(NamedTuple):
    """A number in a plan that is none, or so small that only a slip makes it, and where it is."""

    where: str
    value: float


_MAY_SLIP: Final = re.compile(rb"null|\de-")
"""How JSON writes what is no number, or so small that it may be a slip."""


def not_a_number(part: msgspec.Struct) -> Slip | None:
    """The first number of a plan, or a part of one, that no sum can answer for."""
    whole = _is_whole(part) if not isinstance(part, Plan) else _is_whole_plan(part)
    return None if whole else _slip_in(part)


@lru_cache(maxsize=4096)
def _is_whole(part: msgspec.Struct) -> bool:
    return not _MAY_SLIP.search(msgspec.json.encode(part))


def _is_whole_plan(plan: Plan) -> bool:
    """Looked at part by part: from one save to the next most of them are the same."""
    parts = (plan.supply, plan.assumptions)
    rows = (*plan.devices, *plan.speakers, *plan.channels, *plan.runs)
    return all(map(_is_whole, parts)) and all(map(_is_whole, rows))


def _slip_in(part: msgspec.Struct) -> Slip | None:
    for name in part.__struct_fields__:
        value = getattr(part, name)
        if type(value) is float:
            if value and not SMALLEST <= abs(value) < inf:
                return Slip(f".{name}", value)
        elif type(value) is tuple:
            for index, each in enumerate(value):
                if isinstance(each, msgspec.Struct):
                    if (slip := _slip_in(each)) is not None:
                        key = getattr(each, "id", index)
                        return Slip(f".{name}.{key}{slip.where}", slip.value)
                elif type(each) is float and not SMALLEST <= abs(each) < inf:
                    return Slip(f".{name}.{index}", each)
        elif isinstance(value, msgspec.Struct) and (slip := _slip_in(value)) is not None:
            return Slip(f".{name}{slip.where}", slip.value)
    return None


def dump(plan: Plan) -> bytes:
    """The plan as compact JSON, the same bytes for the same plan."""
    return msgspec.json.encode(plan)


def from_builtins(data: Any) -> Plan:
    """A plan from plain dicts and lists as a JSON column gives them. Raises PlanError."""
    return load(msgspec.json.encode(data))


def to_builtins(plan: Plan) -> dict[str, Any]:
    """The plan as plain dicts and lists for a JSON column."""
    built = msgspec.to_builtins(plan)
    assert isinstance(built, dict)
    return built


def schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a plan."""
    document = msgspec.json.schema(Plan)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Loombook plan",
        **document,
    }
