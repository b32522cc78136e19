"""What was written down of a saved setup's devices and seats beside a job. Nothing here writes."""

from collections.abc import Mapping
from typing import Any, Final

from django.utils.translation import gettext_noop as kept

from jobs import wording
from jobs.models import Job, JobPart, ListeningSeat, SeatPlace
from jobs.setups.items import Item, unlike
from jobs.setups.match import Matches
from jobs.wording import Local
from shop.kept_words import told

CALLED: Final = {
    "firmware": kept("firmware"),
    "note": kept("note"),
    "data_file": kept("file"),
    "options": kept("options"),
    "written_with": kept("written with"),
    "written_cable": kept("over"),
    "mount_place": kept("mounted"),
    "fixings": kept("fixings"),
    "torque_nm": kept("torque"),
    "state_name": kept("settings stored as"),
    "state_slot": kept("slot"),
}


def _told(values: Mapping[str, Any]) -> str:
    said = {
        name: wording.quantity(value, "N·m") if name == "torque_nm" else value
        for name, value in values.items()
        if value
    }
    return ", ".join(f"{told(CALLED[name])} {value}" for name, value in said.items())


def _others_here(document: Mapping[str, Any], job: Job) -> dict[str, JobPart]:
    """The job's part of the same product, for each product of the setup that is no device."""
    rows = {
        (part.product.maker.casefold(), part.product.name.casefold()): part
        for part in job.parts.select_related("product")
        if not part.product.is_unit
    }
    named = {
        label: (one["maker"].casefold(), one["name"].casefold())
        for label, one in document["products"].items()
    }
    return {label: rows[name] for label, name in named.items() if name in rows}


def fact_items(document: Mapping[str, Any], matches: Matches, job: Job) -> list[Item]:
    """What was written down of each part that stands for the same product here. The name under
    which somebody has stored this one's own state is not written over."""
    items = []
    others = _others_here(document, job)
    for label, written in document["part_facts"].items():
        match = matches.devices.get(label)
        part = match.part if match else others.get(label)
        if part is None or (match is not None and match.state == "differs"):
            continue
        stored = part.state_by_id is not None
        values = {
            name: value
            for name, value in written.items()
            if value and not (stored and name.startswith("state_"))
        }
        if not values:
            continue
        here = {name: getattr(part, name) for name in values}
        empty = not any(here.values())
        same = here == values
        items.append(
            Item(
                f"fact:{label}",
                "parts",
                f"{label} as written down",
                _told(values),
                _told(here) or "nothing",
                "same" if same else "new" if empty else "differs",
                () if same or empty else ("something else is written down here",),
                (f"device:{label}",) if match else (),
                part.pk,
                values,
                remind="Compare with the unit in hand: its serial is its own",
            )
        )
    return items


def panel_items(document: Mapping[str, Any], job: Job) -> list[Item]:
    """The panels that come off, each with its clips; whether it is back is this car's."""
    rows = {row.name: row for row in job.panels.all()}
    items = []
    for one in document["panels"]:
        row, clips = rows.get(one["name"]), one["clips"]
        count = wording.plural(clips, "clip or screw", "clips or screws") if clips else "comes off"
        items.append(
            Item(
                f"panel:{one['name']}",
                "panels",
                one["name"],
                count,
                "on the list" if row else "nothing",
                "same" if row else "new",
                values={"clips": clips},
            )
        )
    return items


def lead_items(document: Mapping[str, Any], job: Job) -> list[Item]:
    """The adapter leads, each with its wires; to be proved in this car as any wire is."""
    here = {lead.name: lead for lead in job.adapters.prefetch_related("wires")}
    items = []
    for one in document["adapters"]:
        lead = here.get(one["name"])
        ends = f"{one['from_plug']} to {one['to_plug']}"
        items.append(
            Item(
                f"adapter:{one['name']}",
                "adapters",
                one["name"],
                f"{ends}, {told(wording.plural(len(one['wires']), 'wire'))}",
                wording.plural(lead.wires.count(), "wire") if lead else "nothing",
                "same" if lead else "new",
                extra=one,
                remind="Prove each of its wires before it is plugged in",
            )
        )
    return items


def distance_items(
    document: Mapping[str, Any], matches: Matches, job: Job, local: Local
) -> list[Item]:
    """The tape distances of each seat; `extra` holds the way [m] by the setup's speaker."""
    by_seat: dict[str, dict[str, float]] = {}
    weights: dict[str, float] = {}
    for one in document["distances"]:
        by_seat.setdefault(one["seat"], {})[one["speaker"]] = one["distance_m"]
        weights[one["seat"]] = one["weight"]
    rows = {row.place: row for row in job.seats.prefetch_related("distances__speaker")}
    items = []
    for seat, ways in by_seat.items():
        if seat not in SeatPlace.values:
            continue
        known = {
            speaker: way
            for speaker, way in ways.items()
            if speaker in matches.speakers and matches.speakers[speaker].state != "impossible"
        }
        if not known:
            continue
        row = rows.get(seat)
        here = _here(row)
        placed = {speaker: matches.speakers[speaker].placed for speaker in known}
        wanted = {one.pk: known[speaker] for speaker, one in placed.items() if one is not None}
        needs = tuple(f"speaker:{speaker}" for speaker in known)
        why = unlike(needs, matches)
        same = None not in placed.values() and here == wanted
        if here and not same:
            why = ("this seat has distances here", *why)
        items.append(
            Item(
                f"distance:{seat}",
                "distances",
                str(SeatPlace(seat).label),
                wording.listed(
                    (f"{speaker} {local.distance(way)}" for speaker, way in known.items()), 6
                ),
                wording.listed((local.distance(way) for way in here.values()), 6) or "nothing",
                "same" if same else "differs" if why else "new",
                () if same else why,
                needs,
                row.pk if row else None,
                {"place": seat, "weight": weights[seat]},
                extra=known,
            )
        )
    return items


def _here(seat: ListeningSeat | None) -> dict[int, float]:
    if seat is None or not seat.used:
        return {}
    return {
        one.speaker_id: one.distance_m for one in seat.distances.all() if one.distance_m is not None
    }
