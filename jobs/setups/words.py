"""What a setup has and what a job has, said alike so that they can be read side by side."""

from collections.abc import Mapping
from typing import Any

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


def _channel(one: doc.Channel, fed: list[str]) -> str:
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
        one.note,
    )


def channel(one: doc.Channel, matches: Matches) -> str:
    """What a channel of the setup feeds, over which wire."""
    fed = [*one.speakers]
    if one.feeds_device:
        match = matches.devices.get(one.feeds_device)
        name = match.part.label if match and match.part else one.feeds_device
        fed.append(wording.into_input(name, one.feeds_input))
    return _channel(one, fed)


def channel_row(row: Channel) -> str:
    """A channel of the job said as one of the setup."""
    fed = [speaker.label for speaker in row.speakers.all()]
    if row.feeds_part:
        fed.append(wording.into_input(row.feeds_part.label, row.feeds_input))
    return _channel(CHANNEL.read(row, id=row.plan_id, device=row.part.label), fed)


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
    fuse = ""
    if values["fuse_rating_a"]:
        fuse = f"fuse {wording.fuse(values['fuse_rating_a'], values['fuse_body'])}"
        if values["fuse_distance_m"] is not None:
            fuse += f" at {local.distance(values['fuse_distance_m'])}"
    return _listed(
        f"{values['kind']} {values['from_node']} to {values['to_node']}",
        wording.cable(values["size"], values["metal"], values["parallel"]),
        local.length(values["length_m"]),
        fuse,
    )


def supply(values: Mapping[str, Any]) -> str:
    """Battery and alternator."""
    battery = wording.quantity(values["battery_ah"], "Ah")
    return _listed(
        f"battery {battery}, {values['battery_chemistry']}" if values["battery_ah"] else "",
        f"alternator {wording.quantity(values['alternator_a'], 'A')}"
        if values["alternator_a"]
        else "",
    )


def turn_on(values: Mapping[str, Any]) -> str:
    """How a device is woken, and by what."""
    label = dict(TurnOn.choices).get(values["turn_on"], "")
    by = values["turn_on_by"]
    source = dict(InputFrom.choices).get(values["input_from"], "")
    volts = values["input_from_v"]
    return _listed(
        f"{label}, by {by.label}" if by else str(label),
        f"signal from {_lower(source)}" if source else "",
        f"up to {wording.quantity(volts, 'V')}" if volts else "",
    )


def _lower(words: str) -> str:
    return words[:1].lower() + words[1:]
