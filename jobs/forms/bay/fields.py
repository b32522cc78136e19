"""The cells of each row of the bay sheet."""

from collections.abc import Iterable
from functools import cache, lru_cache
from typing import Any, Final

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext, gettext_noop as kept

from jobs import wording
from jobs.forms.bay.cells import ColourField, Fields, LengthCell, field_of
from jobs.models import (
    Channel,
    ChannelSetting,
    FunctionCheck,
    FunctionResult,
    JobPart,
    JobSpeaker,
    OtherSetting,
    Panel,
    PanelState,
    PowerRun,
    Reading,
    SupplyFacts,
)
from jobs.models.channels import JOINING_CHOICES
from jobs.plan.fault_codes import MOST_CODES, MOST_OF_A_LINE, lines_of
from jobs.plan.heard import LevelError, clean_level
from jobs.plan.passive import WiringError, clean_passive
from jobs.plan.power import FACTORY_FEED, doc, fuse_bodies, size_choices
from jobs.services.fit import wakers
from shop.models import Product, Shop, Units
from shop.units import long_unit, short_unit


class YesNoField(forms.ChoiceField):
    """Three states of a question: not asked, yes, no."""

    def __init__(self, yes: str, no: str, **kwargs: Any) -> None:
        choices = [("", "–"), ("true", yes), ("false", no)]
        super().__init__(choices=choices, required=False, **kwargs)

    def clean(self, value: Any) -> bool | None:
        text = super().clean(value)
        return {"true": True, "false": False}.get(text)

    def prepare_value(self, value: Any) -> str:
        return "" if value is None else str(value).lower()


class PartField(forms.ChoiceField):
    """One of the job's parts, or none."""

    def __init__(self, parts: Iterable[JobPart], empty: str = "–", **kwargs: Any) -> None:
        self.parts = {str(part.pk): part for part in parts}
        choices = [("", empty)]
        choices += [(key, f"{part.label} {part.product.name}") for key, part in self.parts.items()]
        super().__init__(choices=choices, required=False, **kwargs)

    def clean(self, value: Any) -> JobPart | None:
        return self.parts.get(super().clean(value))


class BodyField(forms.ChoiceField):
    """A kind of fuse body, by the name of its table."""

    def __init__(self, **kwargs: Any) -> None:
        choices = [("", "–"), *((name, name.capitalize()) for name in fuse_bodies())]
        super().__init__(choices=choices, required=False, **kwargs)


class PassiveField(forms.CharField):
    """Passive parts before a speaker, in one line; cleaned to the way they are kept."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(max_length=200, required=False, **kwargs)
        self.widget.attrs |= {"list": "passive-examples", "autocomplete": "off"}

    def to_python(self, value: Any) -> str:
        text = super().to_python(value) or ""
        try:
            return clean_passive(text)
        except WiringError as error:
            raise ValidationError(f"{error.reason[0].upper()}{error.reason[1:]}.") from None


SHORT_FAMILIES: Final = [("", "–"), *wording.FAMILIES.items()]
SLOPES: Final = [("", "–"), *((order, f"{6 * order} dB") for order in range(1, 9))]
"""Slopes per octave, short: the column says the rest."""


@cache
def wire_fields() -> Fields:
    """Plug, cavities, colours, polarity and note of a channel."""
    fields: Fields = {"connector": field_of(Channel, "connector", label="Plug")}
    fields["connector"].widget.attrs["list"] = "plugs-known"
    for lead, sign in (("positive", "+"), ("negative", "−")):
        fields[f"{lead}_cavity"] = field_of(Channel, f"{lead}_cavity", label=f"{sign} pin")
        fields[f"{lead}_base"] = ColourField(label=f"{sign} base colour")
        fields[f"{lead}_stripe"] = ColourField(label=f"{sign} stripe colour")
    fields["polarity_proved"] = YesNoField("Proved", "Wrong way", label="Polarity")
    fields["note"] = field_of(Channel, "note")
    return fields


@cache
def proof_fields() -> Fields:
    """What is proved of a channel's wire in the car: polarity, how, and load."""
    return {
        "polarity_proved": YesNoField("Proved", "Wrong way", label="Polarity"),
        "polarity_by": field_of(Channel, "polarity_by", label="Proved by"),
        "measured_load_ohm": field_of(
            Channel, "measured_load_ohm", label="Measured load", unit="Ω"
        ),
    }


_JOININGS: Final = dict(JOINING_CHOICES)


def joinings(count: int) -> list[tuple[str, str]]:
    """The ways so many speakers can be joined on one channel."""
    if count < 2:
        return [("single", _JOININGS["single"])]
    ways = ["parallel", "series"]
    if count >= 4 and count % 2 == 0:
        ways.append("series_parallel")
    return [(way, _JOININGS[way]) for way in ways]


def partners(channel: Channel) -> list[int]:
    """The channels this one may be bridged with, as the maker allows."""
    if channel.kind == Channel.Kind.LINE:
        return []
    pairs = channel.part.product.bridge_pairs
    return [high for low, high in pairs if low == channel.number] + [
        low for low, high in pairs if high == channel.number
    ]


def speaker_fields(channel: Channel, inputs: Iterable[JobPart], joined: int) -> Fields:
    """Joining, bridging, measured load and what a line output feeds, as the row shows them.

    `inputs` are the parts a line output can feed; `joined` is how many speakers the channel has.
    """
    others = [part for part in inputs if part.pk != channel.part_id]
    if others:
        return _cells_of(joined, partners(channel), others)
    return _cells_without_inputs(joined, tuple(partners(channel)))


@lru_cache(maxsize=512)
def _cells_without_inputs(joined: int, bridged: tuple[int, ...]) -> Fields:
    return _cells_of(joined, bridged, [])


def _cells_of(joined: int, bridged: Iterable[int], inputs: Iterable[JobPart]) -> Fields:
    bridge = [("", "–"), *((str(number), f"with {number}") for number in bridged)]
    return _speaker_cells(joinings(joined), bridge, inputs)


def posted_speaker_fields(inputs: Iterable[JobPart]) -> Fields:
    """The same cells as they may be posted; what does not suit the channel is a finding."""
    parts = list(inputs)
    return _posted_speaker_cells(parts) if parts else _posted_without_inputs()


@cache
def _posted_without_inputs() -> Fields:
    return _posted_speaker_cells([])


def _posted_speaker_cells(inputs: Iterable[JobPart]) -> Fields:
    bridge = [("", ""), *((str(number), "") for number in range(1, 33))]
    return _speaker_cells(JOINING_CHOICES, bridge, inputs)


def _speaker_cells(
    joining: list[tuple[str, str]], bridge: list[tuple[str, str]], inputs: Iterable[JobPart]
) -> Fields:
    return {
        "joining": forms.ChoiceField(choices=joining, label="Joined"),
        "bridged_with": forms.TypedChoiceField(
            choices=bridge, coerce=int, empty_value=None, required=False, label="Bridged with"
        ),
        "feeds_part": PartField(inputs, kept("Nothing yet"), label="Feeds"),
        "feeds_input": field_of(Channel, "feeds_input", label="Input"),
        "measured_load_ohm": field_of(
            Channel, "measured_load_ohm", label="Measured load", unit="Ω"
        ),
        "stated_load_ohm": field_of(
            Channel, "stated_load_ohm", label="Load stated for the set", unit="Ω"
        ),
        "output_limit_v": field_of(Channel, "output_limit_v", label="Output held to", unit="V"),
    }


@cache
def setting_fields() -> Fields:
    """What the processor does to one channel, equaliser apart."""
    fields: Fields = {}
    for name, label in (("high_pass", "High-pass"), ("low_pass", "Low-pass")):
        fields[f"{name}_family"] = forms.ChoiceField(
            choices=SHORT_FAMILIES, required=False, label=f"{label} family"
        )
        fields[f"{name}_order"] = forms.TypedChoiceField(
            choices=SLOPES, coerce=int, empty_value=None, required=False, label=f"{label} slope"
        )
        fields[f"{name}_hz"] = field_of(
            ChannelSetting, f"{name}_hz", label=f"{label} frequency", unit="Hz"
        )
    fields["level_db"] = field_of(ChannelSetting, "level_db", label="Level", unit="dB")
    fields["delay_ms"] = field_of(ChannelSetting, "delay_ms", label="Delay", unit="ms")
    fields["inverted"] = field_of(ChannelSetting, "inverted", label="Inverted")
    fields["muted"] = field_of(ChannelSetting, "muted")
    return fields


def part_fields(parts: Iterable[JobPart], product: Product) -> Fields:
    """Serial, firmware, turn-on and signal of a part of this product; `parts` are the job's
    sources."""
    digital = [("", "–"), *((name, name.capitalize()) for name in product.digital_input_names)]
    return {
        "serial": field_of(JobPart, "serial"),
        "firmware": field_of(JobPart, "firmware"),
        "turn_on": field_of(JobPart, "turn_on", label="Turned on by"),
        "turn_on_by": PartField(wakers(parts), "–", label="Which part"),
        "input_from": field_of(JobPart, "input_from", label="Signal from the car"),
        "digital_input": forms.ChoiceField(choices=digital, required=False, label="Digital input"),
        "input_from_v": field_of(
            JobPart, "input_from_v", label="Highest voltage of that signal", unit="V"
        ),
        "note": field_of(JobPart, "note"),
        **data_fields(),
        **mount_fields(),
    }


@cache
def data_fields() -> Fields:
    """What was put into a module or processor, from where, and where its old state is kept."""
    fields = {
        "data_file": field_of(JobPart, "data_file"),
        "options": field_of(JobPart, "options"),
        "firmware_before": field_of(JobPart, "firmware_before"),
        "written_with": field_of(JobPart, "written_with"),
        "written_cable": field_of(JobPart, "written_cable"),
        "backup": field_of(JobPart, "backup", label="Backup kept at"),
        "no_backup": field_of(JobPart, "no_backup", label="It gives no backup"),
    }
    fields["written_with"].widget.attrs["list"] = "computers-known"
    fields["written_cable"].widget.attrs["list"] = "cables-known"
    return fields


@cache
def mount_fields() -> Fields:
    """Where a part is mounted, what holds it, how tight, and what was cut for it."""
    fields = {
        "mount_place": field_of(JobPart, "mount_place"),
        "fixings": field_of(JobPart, "fixings"),
        "torque_nm": field_of(JobPart, "torque_nm", label="Torque", unit="N·m"),
        "drilled": field_of(JobPart, "drilled"),
    }
    fields["mount_place"].widget.attrs["list"] = "mount-places"
    fields["fixings"].widget.attrs["list"] = "fixings-known"
    return fields


@cache
def panel_fields() -> Fields:
    """Clips of a panel, how many were replaced, and whether it is back."""
    return {
        "clips": field_of(Panel, "clips"),
        "clips_replaced": field_of(Panel, "clips_replaced"),
        "state": forms.ChoiceField(choices=PanelState.choices, required=False, label="Panel is"),
        "note": field_of(Panel, "note"),
    }


class LevelField(forms.CharField):
    """How loud a signal is: a word or a level."""

    def to_python(self, value: Any) -> str:
        try:
            return clean_level(super().to_python(value) or "")
        except LevelError as error:
            raise ValidationError(str(error)) from None


@cache
def function_fields(phase: str) -> Fields:
    """Result and note of a function check, before or after, and how a signal is heard."""
    heard: Fields = {
        f"{phase}_heard_from": field_of(FunctionCheck, f"{phase}_heard_from", label="Heard from"),
        f"{phase}_level": LevelField(label="Level", max_length=20, required=False),
    }
    heard[f"{phase}_level"].widget.attrs["list"] = "levels-known"
    return {
        **heard,
        phase: forms.ChoiceField(choices=FunctionResult.choices, required=False, label="Result"),
        f"{phase}_note": field_of(FunctionCheck, f"{phase}_note", label="Note"),
    }


@cache
def reading_fields(phase: str) -> Fields:
    """Value and instrument of a reading, before or after."""
    return {
        f"{phase}_value": field_of(Reading, f"{phase}_value", label="Value"),
        f"{phase}_instrument": field_of(Reading, f"{phase}_instrument", label="Meter"),
    }


class FaultCodesField(forms.CharField):
    """Fault codes, a line each; one word says that none is stored."""

    widget = forms.Textarea

    def to_python(self, value: Any) -> str:
        lines = lines_of(super().to_python(value) or "")
        if len(lines) > MOST_CODES:
            raise ValidationError(
                gettext("At most %(most)s lines: leave out what is the same.")
                % {"most": MOST_CODES}
            )
        for number, line in enumerate(lines, 1):
            if len(line) > MOST_OF_A_LINE:
                raise ValidationError(
                    gettext(
                        "Line %(number)s is longer than %(most)s characters: shorten its words."
                    )
                    % {"number": number, "most": MOST_OF_A_LINE}
                )
        return "\n".join(lines)


@cache
def fault_fields(phase: str) -> Fields:
    """The fault codes read before, or after."""
    return {f"{phase}_codes": FaultCodesField(label=f"Fault codes {phase}", required=False)}


@cache
def supply_fields() -> Fields:
    """What is known of battery and alternator."""
    units = {
        "battery_ah": "Ah",
        "reserve_min": "min",
        "internal_resistance_mohm": "mΩ",
        "alternator_a": "A",
        "alternator_idle_a": "A",
        "base_load_a": "A",
        "factory_feed_fuse_a": "A",
        "factory_feed_limit_a": "A",
    }
    labels = {
        "battery_ah": "Battery capacity",
        "reserve_min": "Reserve capacity, time at 25\u00a0A",
        "internal_resistance_mohm": "Battery internal resistance",
        "alternator_a": "Alternator rated",
        "alternator_idle_a": "Alternator at idle",
        "base_load_a": "The car's own load",
        "factory_feed_fuse_a": "Fuse before the factory feed",
        "factory_feed_limit_a": "Factory feed gives at most",
    }
    fields: Fields = {
        name: field_of(SupplyFacts, name, unit=unit, label=labels[name])
        for name, unit in units.items()
    }
    fields["battery_chemistry"] = field_of(SupplyFacts, "battery_chemistry", label="Battery kind")
    fields["system_v"] = field_of(SupplyFacts, "system_v", label="Vehicle's supply")
    return fields


Nodes = list[tuple[str, str]]


def nodes_of(plan: doc.Plan) -> Nodes:
    """The ends a run can have: battery, body, devices, distribution points, one more of those,
    and a supply wire of the car itself."""
    used = {end for run in plan.runs for end in (run.from_node, run.to_node)}
    devices = [(device.id, f"{device.id} {device.name}") for device in plan.devices]
    known = {"battery", "body", FACTORY_FEED, *(device.id for device in plan.devices)}
    points = sorted(used - known)
    number = next(n for n in range(1, 99) if f"Distribution {n}" not in points)
    return [
        ("battery", "Battery"),
        *devices,
        *((name, name) for name in points),
        (f"Distribution {number}", f"Distribution {number} (new)"),
        ("body", "Car body"),
        (FACTORY_FEED, "Factory feed (the car's own supply wire)"),
    ]


def run_fields(shop: Shop, nodes: Nodes) -> Fields:
    """Every cell of a power run, lengths in the shop's units; `nodes` are the ends it can have."""
    return {
        "kind": field_of(PowerRun, "kind"),
        "from_node": forms.ChoiceField(choices=nodes, label="From"),
        "to_node": forms.ChoiceField(choices=nodes, label="To"),
        "size": forms.ChoiceField(choices=size_choices(shop.units == Units.US), label="Conductor"),
        "metal": field_of(PowerRun, "metal"),
        "stranding": field_of(PowerRun, "stranding"),
        "insulation_c": field_of(PowerRun, "insulation_c", label="Insulation", unit="°C"),
        "length_m": field_of(PowerRun, "length_m", field_class=LengthCell, unit=long_unit(shop)),
        "parallel": field_of(PowerRun, "parallel"),
        "place": field_of(PowerRun, "place"),
        "bundled": field_of(PowerRun, "bundled", label="Loaded cables in bundle"),
        "connections": field_of(PowerRun, "connections"),
        "sheathed": field_of(PowerRun, "sheathed"),
        "fuse_body": BodyField(label="Fuse type"),
        "fuse_rating_a": field_of(PowerRun, "fuse_rating_a", label="Fuse rating", unit="A"),
        "fuse_distance_m": field_of(
            PowerRun,
            "fuse_distance_m",
            field_class=LengthCell,
            unit=short_unit(shop),
            label="Fuse from source",
        ),
        "far_fuse_body": BodyField(label="Fuse type at the far end"),
        "far_fuse_rating_a": field_of(
            PowerRun, "far_fuse_rating_a", label="Fuse at the far end", unit="A"
        ),
        "far_fuse_distance_m": field_of(
            PowerRun,
            "far_fuse_distance_m",
            field_class=LengthCell,
            unit=short_unit(shop),
            label="That fuse from the far end",
        ),
        "note": field_of(PowerRun, "note"),
    }


def cable_fields(shop: Shop) -> Fields:
    """The speaker cable of a channel, its length in the shop's units."""
    sizes = [("", wording.NOTHING), *size_choices(shop.units == Units.US)]
    return {
        "cable_size": forms.ChoiceField(choices=sizes, required=False, label="Conductor"),
        "cable_length_m": field_of(
            Channel,
            "cable_length_m",
            field_class=LengthCell,
            unit=long_unit(shop),
            label="Length, one way",
        ),
        "cable_metal": field_of(Channel, "cable_metal", label="Metal"),
        "cable_insulation_c": field_of(
            Channel, "cable_insulation_c", label="Insulation", unit="°C"
        ),
        "cable_fuse_a": field_of(Channel, "cable_fuse_a", label="Fuse in it", unit="A"),
    }


@cache
def other_fields() -> Fields:
    """A setting outside the channels."""
    return {
        "before": field_of(OtherSetting, "before"),
        "after": field_of(OtherSetting, "after"),
    }


COIL_JOININGS: Final = [
    ("series", "In series"),
    ("parallel", "In parallel"),
    ("single", "A channel for each"),
]
"""How the two coils of one speaker are fed: joined, or apart."""


@cache
def job_speaker_fields() -> Fields:
    """What is known of one speaker in its place."""
    return {
        "position": field_of(JobSpeaker, "position"),
        "coil_joining": forms.ChoiceField(choices=COIL_JOININGS, label="Coils joined"),
        "impedance_ohm": field_of(JobSpeaker, "impedance_ohm", label="One coil", unit="Ω"),
        "power_w": field_of(JobSpeaker, "power_w", label="Continuous power", unit="W"),
        "min_high_pass_hz": field_of(
            JobSpeaker, "min_high_pass_hz", label="Lowest safe high-pass", unit="Hz"
        ),
        "max_low_pass_hz": field_of(
            JobSpeaker, "max_low_pass_hz", label="Highest useful low-pass", unit="Hz"
        ),
        "passive": PassiveField(label="Passive parts before it"),
    }
