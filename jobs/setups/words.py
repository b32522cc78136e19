"""What a setup has and what a job has, said alike so that they can be read side by side."""

from collections.abc import Mapping
from typing import Any

from msgspec import to_builtins

from jobs import wording
from jobs.models import Channel, JobPart, JobSpeaker
from jobs.plan.columns import CHANNEL
from jobs.plan.passive import read_passive
from jobs.setups.match import Matches
from shop.models.products import InputFrom, TurnOn
from wiring import plan as doc

NOTHING = "nothing"


def _listed(*words: str) -> str:
    return "; ".join(word for word in words if word) or NOTHING


def device(one: doc.Device) -> str:
    """ "Harnbeck Weir Six, 6 channels, 2 line outputs"."""
    return _sources(one.name, one.amplifier_channels, one.line_outputs)


def device_part(part: JobPart) -> str:
    """A part of the job said as a device of the setup."""
    product = part.product
    told = _sources(str(product), product.amplifier_channels, product.line_outputs)
    return f"{part.label} {told}"


def _sources(name: str, channels: int, lines: int) -> str:
    parts = [name]
    if channels:
        parts.append(wording.plural(channels, "channel"))
    if lines:
        parts.append(wording.plural(lines, "line output"))
    return ", ".join(parts)


def _place(position: str, kind: str) -> str:
    return wording.capital(wording.speaker(kind, position))


def _driver(name: str, impedance_ohm: float, coils: int, passive: doc.Passive | None = None) -> str:
    each = f"{coils} coils of " if coils > 1 else ""
    before = f", behind {wording.passive(passive)}" if passive is not None else ""
    return f"{name}, {each}{wording.quantity(impedance_ohm, 'Ω')}{before}"


def speaker(one: doc.Speaker) -> str:
    """ "Midrange, front door left: Threlk Plover 165, 4 Ω"."""
    driver = _driver(one.name, one.impedance_ohm, one.coils, one.passive)
    return f"{_place(one.position, one.kind)}: {driver}"


def speaker_row(row: JobSpeaker) -> str:
    """A speaker of the job said as one of the setup."""
    driver = _driver(row.name, row.impedance_ohm, row.coils, read_passive(row.passive))
    return f"{_place(row.position, row.kind)}: {driver}"


def _lead(sign: str, lead: doc.Lead) -> str:
    code = wording.colour_code(lead.base, lead.stripe)
    shown = sign if lead.cavity or code else ""
    return wording.TIGHT.join(filter(None, [shown, lead.cavity, code]))


def _cable(one: doc.SpeakerCable | None, local: wording.Local) -> str:
    return local.speaker_cable(to_builtins(one)) if one is not None else ""


def _channel(one: doc.Channel, fed: list[str], local: wording.Local) -> str:
    wire = one.wire or doc.Wire()
    return _listed(
        ", ".join(f"feeds {name}" for name in fed),
        wording.JOININGS[one.joining] if len(fed) > 1 else "",
        f"bridged with {one.bridged_with}" if one.bridged_with else "",
        f"{wording.quantity(one.stated_load_ohm, 'Ω')} stated" if one.stated_load_ohm else "",
        f"held to {wording.quantity(one.output_limit_v, 'V')}" if one.output_limit_v else "",
        wire.connector,
        _lead("+", wire.positive),
        _lead("−", wire.negative),
        _cable(one.cable, local),
        one.note,
    )


def channel(one: doc.Channel, matches: Matches, local: wording.Local) -> str:
    """What a channel of the setup feeds, over which wire."""
    fed = [*one.speakers]
    if one.feeds_device:
        match = matches.devices.get(one.feeds_device)
        name = match.part.label if match and match.part else one.feeds_device
        fed.append(wording.into_input(name, one.feeds_input))
    return _channel(one, fed, local)


def channel_row(row: Channel, local: wording.Local) -> str:
    """A channel of the job said as one of the setup."""
    fed = [speaker.label for speaker in row.speakers.all()]
    if row.feeds_part:
        fed.append(wording.into_input(row.feeds_part.label, row.feeds_input))
    return _channel(CHANNEL.read(row, id=row.plan_id, device=row.part.label), fed, local)


def _filter(name: str, values: Mapping[str, Any], key: str) -> str:
    words = wording.filter_facts(values, key)
    return f"{name} {words}" if words else ""


def setting(values: Mapping[str, Any]) -> str:
    """All settings of one channel."""
    return _listed(
        _filter("high-pass", values, "high_pass"),
        _filter("low-pass", values, "low_pass"),
        wording.level(values["level_db"]),
        wording.delay(values["delay_ms"]),
        "inverted" if values["inverted"] else "",
        "muted" if values["muted"] else "",
        *(wording.section(one) for one in values["sections"]),
    )


def run(values: Mapping[str, Any], local: wording.Local) -> str:
    """One length of cable with its fuse."""
    return _listed(
        f"{values['kind']} {values['from_node']} to {values['to_node']}",
        wording.cable(values["size"], values["metal"], values["parallel"]),
        local.length(values["length_m"]),
        _fuse(values, "", local),
        _fuse(values, "far_", local),
    )


def _fuse(values: Mapping[str, Any], end: str, local: wording.Local) -> str:
    rating_a = values[f"{end}fuse_rating_a"]
    if not rating_a:
        return ""
    fuse = f"fuse {wording.fuse(rating_a, values[f'{end}fuse_body'])}"
    distance_m = values[f"{end}fuse_distance_m"]
    if distance_m is not None:
        fuse += f" at {local.distance(distance_m)}"
    return f"{fuse} from the far end" if end else fuse


def supply(values: Mapping[str, Any]) -> str:
    """Battery and alternator."""
    known = ", ".join(
        filter(
            None,
            [
                _known(values["battery_ah"], "Ah"),
                f"{_known(values['reserve_min'], 'min')} of reserve"
                if values["reserve_min"]
                else "",
                str(values["battery_chemistry"]),
            ],
        )
    )
    told = values["battery_ah"] or values["reserve_min"] or values["battery_chemistry"] == "lithium"
    feed = ", ".join(
        filter(
            None,
            [
                f"fuse {_known(values['factory_feed_fuse_a'], 'A')}"
                if values["factory_feed_fuse_a"]
                else "",
                f"at most {_known(values['factory_feed_limit_a'], 'A')}"
                if values["factory_feed_limit_a"]
                else "",
            ],
        )
    )
    return _listed(
        wording.quantity(24, "V") if values["system_v"] == 24 else "",
        f"battery {known}" if told else "",
        f"alternator {wording.quantity(values['alternator_a'], 'A')}"
        if values["alternator_a"]
        else "",
        f"factory feed: {feed}" if feed else "",
    )


def _known(value: float | None, unit: str) -> str:
    return wording.quantity(value, unit) if value else ""


def turn_on(values: Mapping[str, Any]) -> str:
    """How a device is woken, and by what."""
    label = dict(TurnOn.choices).get(values["turn_on"], "")
    by = values["turn_on_by"]
    source = dict(InputFrom.choices).get(values["input_from"], "")
    volts = values["input_from_v"]
    return _listed(
        f"{label}, by {by.label}" if by else str(label),
        f"signal from {_lower(source)}" if source else "",
        f"input {values['digital_input']}" if values["digital_input"] else "",
        f"up to {wording.quantity(volts, 'V')}" if volts else "",
    )


def _lower(words: str) -> str:
    return words[:1].lower() + words[1:]
