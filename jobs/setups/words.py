"""What a setup has and what a job has, said alike so that they can be read side by side."""

from collections.abc import Mapping
from typing import Any

from django.utils.translation import gettext
from msgspec import to_builtins

from jobs import wording
from jobs.models import Channel, JobPart, JobSpeaker
from jobs.plan.columns import CHANNEL
from jobs.plan.passive import read_passive
from jobs.setups.match import Matches
from shop.kept_words import told
from shop.languages import in_english
from shop.models.products import InputFrom, TurnOn
from wiring import plan as doc

NOTHING = "nothing"


def _listed(*words: str) -> str:
    return "; ".join(word for word in words if word) or told(NOTHING)


def device(one: doc.Device) -> str:
    """ "Harnbeck Weir Six, 6 channels, 2 line outputs"."""
    return _sources(one.name, one.amplifier_channels, one.line_outputs)


def device_part(part: JobPart) -> str:
    """A part of the job said as a device of the setup."""
    product = part.product
    sources = _sources(str(product), product.amplifier_channels, product.line_outputs)
    return f"{part.label} {sources}"


def _sources(name: str, channels: int, lines: int) -> str:
    parts = [name]
    if channels:
        parts.append(told(wording.plural(channels, "channel")))
    if lines:
        parts.append(told(wording.plural(lines, "line output")))
    return ", ".join(parts)


def _place(position: str, kind: str) -> str:
    return told(wording.capital(wording.speaker(kind, position)))


def _driver(name: str, impedance_ohm: float, coils: int, passive: doc.Passive | None = None) -> str:
    each = wording.quantity(impedance_ohm, "Ω")
    if coils > 1:
        each = gettext("%(coils)s coils of %(each)s") % {"coils": coils, "each": each}
    words = [name, each]
    if passive is not None:
        words.append(gettext("behind %(filter)s") % {"filter": told(wording.passive(passive))})
    return ", ".join(words)


def speaker(one: doc.Speaker) -> str:
    """ "Midrange, front door left: Threlk Plover 165, 4 Ω"."""
    driver = _driver(one.name, one.impedance_ohm, one.coils, one.passive)
    return f"{_place(one.position, one.kind)}: {driver}"


def speaker_row(row: JobSpeaker) -> str:
    """A speaker of the job said as one of the setup."""
    driver = _driver(row.name, row.impedance_ohm, row.coils, read_passive(row.passive))
    return f"{_place(row.position, row.kind)}: {driver}"


def _of(sentence: str, what: object) -> str:
    """The words about a value; nothing where there is none."""
    return sentence % {"what": what} if what else ""


def _lead(sign: str, lead: doc.Lead) -> str:
    code = wording.colour_code(lead.base, lead.stripe)
    shown = sign if lead.cavity or code else ""
    return wording.TIGHT.join(filter(None, [shown, lead.cavity, code]))


def _cable(one: doc.SpeakerCable | None, local: wording.Local) -> str:
    return local.speaker_cable(to_builtins(one)) if one is not None else ""


def _channel(one: doc.Channel, fed: list[str], local: wording.Local) -> str:
    wire = one.wire or doc.Wire()
    return _listed(
        ", ".join(gettext("feeds %(what)s") % {"what": told(name)} for name in fed),
        told(wording.JOININGS[one.joining]) if len(fed) > 1 else "",
        _of(gettext("bridged with %(what)s"), one.bridged_with),
        _of(gettext("%(what)s stated"), _known(one.stated_load_ohm, "Ω")),
        _of(gettext("held to %(what)s"), _known(one.output_limit_v, "V")),
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
        _filter(told("high-pass"), values, "high_pass"),
        _filter(told("low-pass"), values, "low_pass"),
        wording.level(values["level_db"]),
        wording.delay(values["delay_ms"]),
        gettext("inverted") if values["inverted"] else "",
        gettext("muted") if values["muted"] else "",
        *(told(wording.section(one)) for one in values["sections"]),
    )


def run(values: Mapping[str, Any], local: wording.Local) -> str:
    """One length of cable with its fuse."""
    return _listed(
        gettext("%(kind)s %(from)s to %(to)s")
        % {
            "kind": told(values["kind"]),
            "from": told(values["from_node"]),
            "to": told(values["to_node"]),
        },
        told(wording.cable(values["size"], values["metal"], values["parallel"])),
        local.length(values["length_m"]),
        _fuse(values, "", local),
        _fuse(values, "far_", local),
    )


def _fuse(values: Mapping[str, Any], end: str, local: wording.Local) -> str:
    rating_a = values[f"{end}fuse_rating_a"]
    if not rating_a:
        return ""
    fuse = {"fuse": told(wording.fuse(rating_a, values[f"{end}fuse_body"]))}
    distance_m = values[f"{end}fuse_distance_m"]
    if distance_m is None:
        said = gettext("fuse %(fuse)s at the far end") if end else gettext("fuse %(fuse)s")
        return said % fuse
    said = (
        gettext("fuse %(fuse)s at %(distance)s from the far end")
        if end
        else gettext("fuse %(fuse)s at %(distance)s")
    )
    return said % {**fuse, "distance": local.distance(distance_m)}


def supply(values: Mapping[str, Any]) -> str:
    """Battery and alternator."""
    known = ", ".join(
        filter(
            None,
            [
                _known(values["battery_ah"], "Ah"),
                _of(gettext("%(what)s of reserve"), _known(values["reserve_min"], "min")),
                told(values["battery_chemistry"]),
            ],
        )
    )
    is_told = (
        values["battery_ah"] or values["reserve_min"] or values["battery_chemistry"] == "lithium"
    )
    feed = ", ".join(
        filter(
            None,
            [
                _of(gettext("fuse %(what)s"), _known(values["factory_feed_fuse_a"], "A")),
                _of(gettext("at most %(what)s"), _known(values["factory_feed_limit_a"], "A")),
            ],
        )
    )
    return _listed(
        wording.quantity(24, "V") if values["system_v"] == 24 else "",
        _of(gettext("battery %(what)s"), known if is_told else ""),
        _of(gettext("alternator %(what)s"), _known(values["alternator_a"], "A")),
        _of(gettext("factory feed: %(what)s"), feed),
    )


def _known(value: float | None, unit: str) -> str:
    return wording.quantity(value, unit) if value else ""


def turn_on(values: Mapping[str, Any]) -> str:
    """How a device is woken, and by what."""
    label = told(dict(TurnOn.choices).get(values["turn_on"], ""))
    by = values["turn_on_by"]
    source = told(dict(InputFrom.choices).get(values["input_from"], ""))
    if in_english():
        source = source[:1].lower() + source[1:]
    return _listed(
        gettext("%(how)s, by %(part)s") % {"how": label, "part": by.label} if by else label,
        _of(gettext("signal from %(what)s"), source),
        _of(gettext("input %(what)s"), values["digital_input"]),
        _of(gettext("up to %(what)s"), _known(values["input_from_v"], "V")),
    )
