"""Which part and speaker of a job stands for which of a saved setup.

A product is the same by its catalogue entry, else by maker and name. What only resembles it (same
kind, other product or other figures) is proposed, marked, and left to a person.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Literal

import msgspec

from jobs import wording
from jobs.models import Job, JobPart, JobSpeaker
from jobs.plan.columns import SPEAKER_FIGURES
from jobs.plan.document import DEVICE_KINDS, plan_of
from jobs.plan.passive import read_passive
from jobs.services.channels import from_part
from shop.models import Product, ProductKind
from wiring.channels.mapping import Carried, CarriedLevel, carried_levels, propose
from wiring.plan import Channel, Device, Plan, Speaker

State = Literal["same", "new", "differs", "impossible"]
FIGURES: Final = (
    ("impedance_ohm", "Ω a coil"),
    ("coils", "coils"),
    ("power_w", "W"),
    ("min_high_pass_hz", "Hz lowest safe high-pass"),
)


@dataclass(frozen=True)
class DeviceMatch:
    """A device of the setup and the part of the job that stands for it."""

    device: Device
    part: JobPart | None
    state: State
    why: tuple[str, ...] = ()


@dataclass(frozen=True)
class SpeakerMatch:
    """A speaker of the setup, and what stands for it: one in its place, or a part to put there.

    `placed` is a speaker already at that position; else `part` is to be placed, or, when both are
    None and the state is `new`, a factory speaker is written down.
    """

    speaker: Speaker
    placed: JobSpeaker | None
    part: JobPart | None
    state: State
    why: tuple[str, ...] = ()


@dataclass
class Matches:
    """All matches of one setup with one job, by the setup's ids.

    `carried` proposes a channel of the job for each of the setup's, `levels` the levels that keep
    the balance where other power stands behind them.
    """

    devices: dict[str, DeviceMatch] = field(default_factory=dict)
    speakers: dict[str, SpeakerMatch] = field(default_factory=dict)
    carried: Carried = field(default_factory=lambda: Carried({}, {}, {}, ()))
    levels: dict[str, CarriedLevel] = field(default_factory=dict)
    feeds: dict[str, tuple[str, ...]] = field(default_factory=dict)

    def shared_speakers(self, channel_id: str) -> tuple[str, ...]:
        """The speakers of a channel of the setup that something here stands for."""
        return tuple(
            one
            for one in self.feeds.get(channel_id, ())
            if one in self.speakers and self.speakers[one].state != "impossible"
        )

    def sharing(self, channel_id: str) -> tuple[str, ...]:
        """Speakers of other channels of the setup that are to share the channel of this one."""
        return tuple(
            speaker
            for key, place in self.carried.placements.items()
            if place.joins == channel_id
            for speaker in self.shared_speakers(key)
        )

    def node(self, node: str) -> str | None:
        """A node of the setup's power plan in the job; None where its device has no match."""
        match = self.devices.get(node)
        if match is None:
            return node
        return match.part.label if match.part else None


def _is_product(product: Product, wanted: Mapping[str, Any]) -> bool:
    return product.pk == wanted.get("product_id")


def _is_named(product: Product, wanted: Mapping[str, Any]) -> bool:
    return (product.maker.casefold(), product.name.casefold()) == (
        str(wanted.get("maker", "")).casefold(),
        str(wanted.get("name", "")).casefold(),
    )


def _other_device(device: Device, product: Product) -> tuple[str, ...]:
    why = [f"another product: {device.name} in the setup, {product} here"]
    for mine, theirs, what in (
        (product.amplifier_channels, device.amplifier_channels, "amplifier channels"),
        (product.line_outputs, device.line_outputs, "line outputs"),
    ):
        if mine != theirs:
            why.append(f"{theirs} {what} in the setup, {mine} here")
    if product.min_load_ohm != device.min_load_ohm:
        why.append(
            f"least load {_said(device.min_load_ohm, 'Ω')} in the setup, "
            f"{_said(product.min_load_ohm, 'Ω')} here"
        )
    return tuple(why)


def _said(value: float | None, unit: str) -> str:
    return "unknown" if value is None else wording.quantity(value, unit)


def match_devices(plan: Plan, products: Mapping[str, Any], job: Job) -> dict[str, DeviceMatch]:
    """The sources of a setup against the job's: same entry and mark, same entry, same name, then
    another of the same kind."""
    free = [
        part
        for part in job.parts.select_related("product", "turn_on_by")
        if part.product.kind in DEVICE_KINDS
    ]
    by_label: dict[str, JobPart] = {}
    tests = (
        lambda part, device: (
            _is_product(part.product, products.get(device.id, {})) and part.label == device.id
        ),
        lambda part, device: _is_product(part.product, products.get(device.id, {})),
        lambda part, device: _is_named(part.product, products.get(device.id, {})),
    )
    for test in tests:
        for device in plan.devices:
            if device.id not in by_label:
                part = next((one for one in free if test(one, device)), None)
                if part is not None:
                    by_label[device.id] = part
                    free.remove(part)
    matches = {}
    for device in plan.devices:
        part = by_label.get(device.id)
        if part is not None:
            changed = _changed_figures(device, part.product)
            state: State = "differs" if changed else "same"
            matches[device.id] = DeviceMatch(device, part, state, changed)
            continue
        like = next(
            (one for one in free if DEVICE_KINDS[ProductKind(one.product.kind)] == device.kind),
            None,
        )
        if like is None:
            none = (f"the job has no {device.kind} that could stand for it: add the part first",)
            matches[device.id] = DeviceMatch(device, None, "impossible", none)
            continue
        free.remove(like)
        why = _other_device(device, like.product)
        matches[device.id] = DeviceMatch(device, like, "differs", why)
    return matches


def _changed_figures(device: Device, product: Product) -> tuple[str, ...]:
    """The same product whose catalogue entry has changed since: what matters for a load."""
    return _other_device(device, product)[1:]


def _figures_apart(speaker: Speaker, facts: Mapping[str, Any]) -> tuple[str, ...]:
    return tuple(
        f"{_said(getattr(speaker, name), unit)} in the setup, {_said(facts[name], unit)} here"
        for name, unit in FIGURES
        if getattr(speaker, name) != facts[name]
    )


def _placed_facts(row: JobSpeaker) -> dict[str, Any]:
    return {name: getattr(row, name) for name, _ in FIGURES}


def _match_placed(speaker: Speaker, wanted: Mapping[str, Any], row: JobSpeaker) -> SpeakerMatch:
    why = list(_figures_apart(speaker, _placed_facts(row)))
    product = row.part.product if row.part else None
    same = (
        speaker.factory
        if product is None
        else _is_product(product, wanted) or _is_named(product, wanted)
    )
    if not same:
        why.insert(0, f"another speaker: {speaker.name} in the setup, {row.name} here")
    return SpeakerMatch(speaker, row, row.part, "differs" if why else "same", tuple(why))


def match_speakers(
    plan: Plan, products: Mapping[str, Any], speaker_parts: Mapping[str, str], job: Job
) -> dict[str, SpeakerMatch]:
    """The speakers of a setup against those in their places in the job, then its parts."""
    rows = list(job.speakers.select_related("part__product"))
    left = {
        part: part.quantity - sum(row.part_id == part.pk for row in rows)
        for part in job.parts.select_related("product")
        if part.product.is_speaker
    }
    matches: dict[str, SpeakerMatch] = {}
    for speaker in plan.speakers:
        wanted = products.get(speaker_parts.get(speaker.id, ""), {})
        row = next(
            (one for one in rows if (one.position, one.kind) == (speaker.position, speaker.kind)),
            None,
        )
        if row is not None:
            rows.remove(row)
            matches[speaker.id] = _match_placed(speaker, wanted, row)
    for speaker in plan.speakers:
        if speaker.id in matches:
            continue
        wanted = products.get(speaker_parts.get(speaker.id, ""), {})
        matches[speaker.id] = _match_part(speaker, wanted, left)
    return {speaker.id: matches[speaker.id] for speaker in plan.speakers}


def _match_part(
    speaker: Speaker, wanted: Mapping[str, Any], left: dict[JobPart, int]
) -> SpeakerMatch:
    if speaker.factory:
        return SpeakerMatch(speaker, None, None, "new")
    free = [part for part, count in left.items() if count > 0]
    for test in (_is_product, _is_named):
        part = next((one for one in free if test(one.product, wanted)), None)
        if part is not None:
            left[part] -= 1
            why = _figures_apart(speaker, from_part(part))
            return SpeakerMatch(speaker, None, part, "differs" if why else "new", why)
    part = next((one for one in free if from_part(one)["kind"] == speaker.kind), None)
    if part is None:
        why = (
            f"no {wording.kind_words(speaker.kind)} of the job's parts is left for it: "
            "add the part first",
        )
        return SpeakerMatch(speaker, None, None, "impossible", why)
    left[part] -= 1
    why = (
        f"another speaker: {speaker.name} in the setup, {part.product} here",
        *_figures_apart(speaker, from_part(part)),
    )
    return SpeakerMatch(speaker, None, part, "differs", why)


def _speaker_here(one: SpeakerMatch) -> Speaker:
    """The speaker that stands for one of the setup, under the setup's id."""
    if one.placed is not None:
        facts = {
            name: getattr(one.placed, name) for name in (*SPEAKER_FIGURES.names, "coil_joining")
        } | {"passive": read_passive(one.placed.passive)}
    elif one.part is not None:
        known = from_part(one.part)
        facts = {name: known[name] for name in SPEAKER_FIGURES.names}
    else:
        return one.speaker
    if facts.get("coils") == 1:
        facts["coil_joining"] = "single"
    return msgspec.structs.replace(one.speaker, **facts)


def _result(plan: Plan, here: Plan, speakers: Mapping[str, Speaker], carried: Carried) -> Plan:
    """The amplifier channels as they would be in the job, their speakers under the setup's ids."""
    old = {channel.id: channel for channel in plan.channels}
    taken_over: dict[str, Channel] = {}
    for key, place in carried.placements.items():
        if place.target is None or place.kind == "line":
            continue
        fed = tuple(one for one in old[key].speakers if one in speakers)
        channel = taken_over.get(place.target)
        if channel is not None:
            fed = (*channel.speakers, *fed)
        joining = old[key].joining if len(fed) == len(old[key].speakers) else "parallel"
        taken_over[place.target] = msgspec.structs.replace(
            old[key],
            id=place.target,
            device=place.device or "",
            number=place.number or 1,
            bridged_with=place.bridged_with,
            speakers=fed,
            joining="single" if len(fed) == 1 else joining,
        )
    return Plan(
        devices=here.devices, speakers=tuple(speakers.values()), channels=tuple(taken_over.values())
    )


def match(document: Mapping[str, Any], plan: Plan, job: Job) -> Matches:
    """Every device, speaker and channel of a setup against a job."""
    products = document["products"]
    matches = Matches(
        match_devices(plan, products, job),
        match_speakers(plan, products, document["speaker_parts"], job),
        feeds={channel.id: channel.speakers for channel in plan.channels},
    )
    here = plan_of(job)
    speakers = {
        key: _speaker_here(one)
        for key, one in matches.speakers.items()
        if one.state != "impossible"
    }
    stands_for = {key: one.part.label if one.part else None for key, one in matches.devices.items()}
    matches.carried = propose(plan, here.devices, stands_for, speakers)
    pairs = [
        (key, place.target)
        for key, place in matches.carried.placements.items()
        if place.target and not place.joins and place.kind == "amplifier"
    ]
    matches.levels = carried_levels(plan, _result(plan, here, speakers, matches.carried), pairs)
    return matches
