"""The labels of a job: both wires of each channel, cables, fuse holders, the key tag.

What a label says comes from the rows of the plan as they stand; nothing is kept of it.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from django.utils.translation import gettext_noop as kept

from jobs import wording
from jobs.models import Channel, Job, JobPart, PowerRun

MOST_COPIES: Final = 20
MOST_LABELS: Final = 1000


@dataclass(frozen=True)
class Line:
    """A line of a label; `weight` is its size beside the others. `wraps`: it may take two."""

    text: str
    weight: float = 1.0
    bold: bool = False
    wraps: bool = True


@dataclass(frozen=True)
class Label:
    """One label. `copies` is how many are usually wanted; `qr` is what its code says, if any."""

    id: str
    kind: str
    title: str
    lines: tuple[Line, ...]
    copies: int = 1
    base: str = ""
    stripe: str = ""
    qr: str = ""


KINDS: Final[dict[str, str]] = {
    "wire": kept("Wires of the channels"),
    "cable": kept("Power cables"),
    "fuse": kept("Fuse holders"),
    "key": kept("Key tag"),
}


def labels_of(job: Job, address: str) -> list[Label]:
    """Every label the job can have; `address` is what the key tag's code opens."""
    channels = job.channels.select_related("part", "feeds_part").prefetch_related("speakers")
    runs = list(job.runs.all())
    parts = {part.label: part for part in job.parts.select_related("product")}
    labels = [label for channel in channels for label in _wires(channel)]
    labels += [label for run in runs for label in _cable(run, parts)]
    labels += [_fuse(run, parts) for run in runs if run.fuse_rating_a]
    return [*labels, _key(job, address)]


def _wires(channel: Channel) -> Iterable[Label]:
    name = channel.plan_id
    if channel.kind == Channel.Kind.LINE:
        if channel.feeds_part is None:
            return
        feeds = f"to {wording.into_input(channel.feeds_part.label, channel.feeds_input)}"
        lines = (Line(name, 1.6, bold=True, wraps=False), Line(feeds))
        yield Label(f"wire-{channel.pk}", "wire", f"{name} {feeds}", lines, copies=2)
        return
    speakers = [wording.speakers([one]) for one in channel.speakers.all()]
    if not speakers:
        return
    name = wording.bridged(name, channel.bridged_with)
    for lead, sign in (("positive", "+"), ("negative", "−")):
        base = getattr(channel, f"{lead}_base")
        stripe = getattr(channel, f"{lead}_stripe")
        cavity = getattr(channel, f"{lead}_cavity")
        colour = wording.colour_code(base, stripe)
        plug = " ".join(filter(None, [channel.connector, cavity and f"pin {cavity}"]))
        wire_text = (
            Line(f"{name} {sign}", 1.6, bold=True, wraps=False),
            *(Line(one) for one in speakers),
            *(Line(one) for one in (colour, plug) if one),
        )
        yield Label(
            f"wire-{channel.pk}-{lead}",
            "wire",
            f"{name} {sign} {'; '.join(speakers)}",
            wire_text,
            copies=2,
            base=base,
            stripe=stripe,
        )


def _conductor(run: PowerRun) -> str:
    return wording.cable(run.size, run.metal, run.parallel).removesuffix(
        f" {wording.metal('copper')}"
    )


def _way(run: PowerRun, parts: Mapping[str, JobPart]) -> str:
    ends = []
    for node in (run.from_node, run.to_node):
        part = parts.get(node)
        ends.append(f"{node} {part.product.name}" if part else node)
    return " to ".join(ends)


def _cable(run: PowerRun, parts: Mapping[str, JobPart]) -> Iterable[Label]:
    sign = "+" if run.kind == PowerRun.Kind.FEED else "−"
    lines = (
        Line(f"{run.label} {sign}", 1.6, bold=True, wraps=False),
        Line(_way(run, parts)),
        Line(_conductor(run)),
    )
    title = f"{run.label} {sign} {_way(run, parts)}"
    yield Label(f"cable-{run.pk}", "cable", title, lines, copies=2)


def _fuse(run: PowerRun, parts: Mapping[str, JobPart]) -> Label:
    rating = wording.quantity(run.fuse_rating_a, "A")
    lines = (
        Line(rating, 1.9, bold=True, wraps=False),
        *([Line(f"{run.fuse_body} fuse")] if run.fuse_body else []),
        Line(f"for {_conductor(run)}", bold=True),
        Line(f"{run.label} {_way(run, parts)}"),
    )
    return Label(f"fuse-{run.pk}", "fuse", f"{rating}, {run.label} {_way(run, parts)}", lines)


def _key(job: Job, address: str) -> Label:
    vehicle = job.vehicle
    lines = (
        Line(str(job), 1.7, bold=True, wraps=False),
        *([Line(vehicle.plate, 1.3, bold=True, wraps=False)] if vehicle.plate else []),
        Line(vehicle.title),
        Line(f"for {wording.dated(job.promised_at)}"),
    )
    return Label("key", "key", f"{job}, {vehicle.plate or vehicle.title}", lines, qr=address)
