"""A saved setup's document: made from a signed sheet, read in any version.

`upgrade` brings an older version up to this one, so that a reader only ever sees the newest.
"""

import re
from collections.abc import Callable, Mapping
from typing import Any, Final

import msgspec

from jobs import wording
from jobs.models import FitOutcome, InstallSheet, Job, Photo, SeatDistance, StepOutcome
from jobs.reads.clocks import time_on
from jobs.setups.schema import MOST_PHOTOS, SETUP_VERSION, SetupDocument
from wiring.plan import Plan, PlanError, from_builtins

PRODUCT_FACTS: Final = ("product_id", "product", "maker", "name", "part_number", "kind", "quantity")
PART_FACTS: Final = (
    *("firmware", "note"),
    *("data_file", "options", "written_with", "written_cable"),
    *("mount_place", "fixings", "torque_nm"),
    *("state_name", "state_slot"),
)
"""What is written down of a part and holds for the next of its kind. Its serial number, what stood
in it before, where that is kept and what was drilled are its own."""
MOST_WORDS: Final = 1000
SHOWN_SUBJECTS: Final = ("channel", "speaker", "part", "run", "step")
"""Subjects of the photos that go along: the work, never the car's arrival or its owner's things."""


class SetupError(ValueError):
    """The document is no setup this version can read."""


def function_of(channel: Mapping[str, Any], speakers: Mapping[str, Mapping[str, Any]]) -> str:
    """What a wire pair does: "Midrange, front door left", or the input it feeds."""
    fed = []
    for one in channel.get("speakers", ()):
        speaker = speakers.get(one)
        if speaker:
            fed.append(wording.speaker(speaker["kind"], speaker["position"]))
    if channel.get("feeds_device"):
        fed.append(f"{wording.entry(channel.get('feeds_input'))} of {channel['feeds_device']}")
    return wording.capital("; ".join(fed))[:120]


def wires_of(plan: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The wire list of the vehicle's plugs that a plan speaks of."""
    speakers = {one["id"]: one for one in plan.get("speakers", ())}
    wires = []
    for channel in plan.get("channels", ()):
        wire = channel.get("wire") or {}
        function = function_of(channel, speakers)
        for sign, name in (("+", "positive"), ("−", "negative")):
            lead = wire.get(name) or {}
            if not any(lead.get(fact) for fact in ("cavity", "base")):
                continue
            wires.append(
                {
                    "connector": wire.get("connector", ""),
                    **{fact: lead.get(fact, "") for fact in ("cavity", "base", "stripe")},
                    "function": function,
                    "sign": sign,
                    "proved": wire.get("polarity_proved") is True,
                }
            )
    return wires


_OF_ONE_CAR: Final = frozenset({"polarity_heard", "heard_side", "heard_zone"})


def _without_heard(plan: Mapping[str, Any]) -> dict[str, Any]:
    """A plan without what was recorded of polarities and places: that is of one car."""
    channels = [
        {name: fact for name, fact in channel.items() if name not in _OF_ONE_CAR}
        for channel in plan.get("channels", ())
    ]
    return {**plan, "channels": channels}


def _car(vehicle: Mapping[str, Any]) -> dict[str, Any]:
    """A sheet's vehicle as the model it is of; its years were written as "2018–2024"."""
    years = [int(year) for year in re.findall(r"\d{4}", str(vehicle.get("years", "")))]
    open_end = str(vehicle.get("years", "")).rstrip().endswith("–")
    first = years[0] if years else int(vehicle.get("year") or 1900)
    names = ("make", "model", "trim", "audio_package", "body_shape")
    return {
        **{name: vehicle.get(name, "") for name in names},
        "year_from": first,
        "year_to": None if open_end else (years[-1] if years else first),
    }


def _step_notes(job: Job) -> list[dict[str, Any]]:
    notes = []
    for step in job.steps.exclude(outcome=StepOutcome.TO_DO):
        reading = ""
        if step.reading_value is not None:
            reading = (
                f"{step.reading_label}: "
                f"{wording.quantity(step.reading_value, step.reading_unit, figures=6)}"
            )
        notes.append(
            {"text": step.text, "outcome": step.outcome, "note": step.reason, "reading": reading}
        )
    return notes


def _photos(job: Job) -> list[dict[str, Any]]:
    names: dict[str, str] = {}
    for channel in job.channels.select_related("part"):
        names[f"channel:{channel.pk}"] = channel.plan_id
    for kind, rows in (
        ("speaker", job.speakers.all()),
        ("part", job.parts.select_related("product")),
        ("run", job.runs.all()),
        ("step", job.steps.all()),
    ):
        names |= {f"{kind}:{row.pk}": str(row) for row in rows}
    taken = Photo.objects.kept().filter(job=job)
    shown = [one for one in taken if one.subject.partition(":")[0] in SHOWN_SUBJECTS]
    return [
        {
            "subject": names.get(one.subject, one.subject)[:120],
            "caption": one.caption,
            "job": job.number,
            "photo": one.pk,
        }
        for one in shown[:MOST_PHOTOS]
    ]


def _fit(document: Mapping[str, Any]) -> dict[str, Any] | None:
    """The newest proof of a sheet; none where it says that the parts do not fit."""
    proofs = document.get("fit_proofs") or ()
    if not proofs:
        return None
    newest = proofs[-1]
    outcomes = {str(label): value for value, label in FitOutcome.choices}
    outcome = outcomes.get(newest["outcome"], "")
    if outcome not in {FitOutcome.FITS, FitOutcome.FITS_WITH_CHANGES}:
        return None
    return {
        "source": newest["source"],
        "reference": newest["reference"],
        "outcome": outcome,
        "note": newest["note"][:MOST_WORDS],
    }


def _part_facts(document: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    devices = {one["id"] for one in document["plan"].get("devices", ())}
    facts = {}
    for part in document["parts"]:
        own = part if part["label"] in devices else {}
        told = {**own, **part.get("data", {}), **part.get("mount", {}), **part.get("program", {})}
        facts[part["label"]] = {name: told[name] for name in PART_FACTS if told.get(name)}
    return {label: one for label, one in facts.items() if one}


def _distances(job: Job) -> list[dict[str, Any]]:
    rows = SeatDistance.objects.filter(
        seat__job=job, seat__used=True, distance_m__isnull=False
    ).select_related("seat", "speaker")
    return [
        {
            "seat": row.seat.place,
            "weight": row.seat.weight,
            "speaker": row.speaker.label,
            "distance_m": row.distance_m,
        }
        for row in rows
    ]


def _reasons(document: Mapping[str, Any]) -> list[dict[str, Any]]:
    return [
        {name: one[name] for name in ("rule", "where", "title")}
        | {"reason": one["reason"][:MOST_WORDS]}
        for one in document.get("findings", ())
        if one["severity"] == "caution" and one.get("reason")
    ]


def from_sheet(sheet: InstallSheet) -> dict[str, Any]:
    """The setup of a signed sheet, from its frozen record; steps, photos, tape distances and time
    from its job."""
    document = sheet.document
    minutes = time_on(sheet.job).total.total_seconds() / 60
    setup = {
        "setup_version": SETUP_VERSION,
        "source": {
            "sheet": document["sheet"]["number"],
            "document_sha256": sheet.document_sha256,
            "signed_at": document["sheet"]["signed_at"],
            "signed_by": document["signatures"]["manager"]["name"],
            "shop": document["shop"]["name"],
        },
        "vehicle": _car(document["vehicle"]),
        "products": {
            part["label"]: {name: part[name] for name in PRODUCT_FACTS}
            for part in document["parts"]
        },
        "speaker_parts": document["speaker_parts"],
        "plan": _without_heard(document["plan"]),
        "recorded": document["tuning"].get("after", {}).get("channels", []),
        "other_settings": [
            {"name": row["name"], "after": row["after"]}
            for row in document["other_settings"]
            if row["after"]
        ],
        "wires": wires_of(document["plan"]),
        "step_notes": _step_notes(sheet.job),
        "photos": _photos(sheet.job),
        "fit": _fit(document),
        "part_facts": _part_facts(document),
        "distances": _distances(sheet.job),
        "reasons": _reasons(document),
        "adapters": document.get("adapters", []),
        "panels": [
            {"name": one["name"], "clips": one["clips"]} for one in document.get("panels", ())
        ],
        "measured_minutes": round(minutes, 1) if minutes else None,
    }
    return checked(setup)


def _from_1(document: Mapping[str, Any]) -> dict[str, Any]:
    """Version 1 had the years in words, and no wire list, steps, photos or time."""
    upgraded = {**document, "setup_version": 2, "vehicle": _car(document["vehicle"])}
    return {**upgraded, "wires": wires_of(document["plan"])}


def _from_2(document: Mapping[str, Any]) -> dict[str, Any]:
    """Version 2 had no fit proof, facts of parts, tape distances or reasons of cautions."""
    return {**document, "setup_version": 3}


def _from_3(document: Mapping[str, Any]) -> dict[str, Any]:
    """Version 3 had firmware and note of a device alone, and neither panels
    nor leads."""
    return {**document, "setup_version": 4}


UPGRADES: Final[dict[int, Callable[[Mapping[str, Any]], dict[str, Any]]]] = {
    1: _from_1,
    2: _from_2,
    3: _from_3,
}
"""From each older version to the next."""


def upgrade(document: Mapping[str, Any]) -> dict[str, Any]:
    """The document at this version. Raises SetupError when it comes from a later one."""
    if not isinstance(document, Mapping):
        raise SetupError("This is no setup: a setup is an object with fields.")
    version = document.get("setup_version")
    while isinstance(version, int) and version in UPGRADES:
        try:
            document = UPGRADES[version](document)
        except (KeyError, TypeError, ValueError, AttributeError, OverflowError):
            raise SetupError(f"This setup does not fit version {version} of its schema.") from None
        version = document["setup_version"]
    if version != SETUP_VERSION:
        shown = str(version)[:20]
        raise SetupError(f"This setup has version {shown}; this program reads {SETUP_VERSION}.")
    defaults: dict[str, Any] = {
        "wires": [],
        "step_notes": [],
        "photos": [],
        "fit": None,
        "part_facts": {},
        "distances": [],
        "reasons": [],
        "panels": [],
        "adapters": [],
        "measured_minutes": None,
    }
    return {**defaults, **document}


def checked(document: Mapping[str, Any]) -> dict[str, Any]:
    """The document at this version, every field as the schema wants it. Raises SetupError."""
    upgraded = upgrade(document)
    try:
        typed = msgspec.convert(upgraded, SetupDocument, strict=True)
    except msgspec.ValidationError as error:
        raise SetupError(f"The setup does not fit its schema: {error}.") from None
    built = msgspec.json.decode(msgspec.json.encode(typed))
    assert isinstance(built, dict)
    plan_in(built)
    return built


def plan_in(document: Mapping[str, Any]) -> Plan:
    """The plan in a setup. Raises SetupError."""
    try:
        return from_builtins(upgrade(document)["plan"])
    except PlanError as error:
        raise SetupError(str(error)) from None


def product_names(document: Mapping[str, Any]) -> list[str]:
    """The products of a setup by maker and name, sorted: what a search compares."""
    names = {
        " ".join(f"{one['maker']} {one['name']}".split()) for one in document["products"].values()
    }
    return sorted(names)
