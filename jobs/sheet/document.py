"""The sheet's document: everything an install sheet shows, as plain types, hashed once signed.

`draft(job)` gives the document as it stands; `freeze(...)` completes it for signing. Quantities
are SI with the unit in the name, moments are ISO 8601 in UTC. The PDF and the page are made from
the document alone, so a later change of a row, a table or a rule never shows on a signed sheet.
"""

import hashlib
import json
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import PurePosixPath
from typing import Any, Final

from django.db.models import Q

from jobs.lists import cautions
from jobs.models import FaultCodes, FunctionCheck, InstallSheet, Job, TuningKind
from jobs.models.sign_off import sheet_number
from jobs.plan.document import findings_of, plan_of, published_tables, results_of
from jobs.plan.fault_codes import new_codes, says_none
from jobs.services.comebacks import promised_months
from jobs.services.tuning.entered import entry_lists
from jobs.services.work_done import handed_over, names_of_workers, own_in_review, started_at
from jobs.sheet import changes as record_changes
from jobs.sheet.photos import photos_of
from jobs.sheet.tuning import tuned_of
from jobs.sheet.wiring.nodes import plug_key
from shop.languages import ENGLISH, first_of, speaking
from shop.models import PlugTable, Shop, ShopLogo, StaffMember
from wiring.plan import Plan, to_builtins

DOCUMENT_VERSION: Final = 2

ASSUMPTIONS: Final = (
    ("max_drop_fraction", "Largest voltage drop allowed, with music", "shop's choice"),
    ("max_full_drop_fraction", "Largest voltage drop allowed, at full output", "shop's choice"),
    ("music_duty", "Music duty (mean power over full power)", "common practice, no source"),
    ("bass_duty", "Music duty of subwoofers", "common practice, no source"),
    ("cabin_c", "Air in the cabin", "shop's choice"),
    ("engine_bay_c", "Air in the engine bay", "shop's choice"),
    ("fuse_distance_m", "Fuse to battery at most", "common practice, no source"),
    ("body_return_ohm", "Vehicle body as return", "common practice, no source"),
    ("connection_ohm", "Each connection", "common practice, no source"),
    ("key_off_limit_a", "Key-off draw at most", "common practice, no source"),
    ("speaker_loss_db", "Level lost in a speaker cable at most", "common practice, no source"),
    ("crossover_gap_db", "Crossover gap or overlap at most", "common practice, no source"),
)


@dataclass(frozen=True)
class Signing:
    """Who signs which revision, when, and what it corrects.

    `digests` keeps the SHA-256 of each photo read for this signature.
    """

    revision: int
    signed_by: StaffMember
    signed_at: datetime
    corrects: InstallSheet | None = None
    correction_reason: str = ""
    digests: dict[int, str] = field(default_factory=dict)


def canonical(document: dict[str, Any]) -> bytes:
    """The document as canonical JSON: sorted keys, no spaces, UTF-8."""
    return json.dumps(
        document, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    ).encode()


def sha256_of(document: dict[str, Any]) -> str:
    """SHA-256 of the canonical JSON, in hexadecimal."""
    return hashlib.sha256(canonical(document)).hexdigest()


def _moment(at: datetime | None) -> str | None:
    return None if at is None else at.astimezone(UTC).isoformat(timespec="seconds")


def _name(person: StaffMember | None) -> str:
    return "" if person is None else str(person)


def _plain(value: Any) -> Any:
    """JSON types that read back the same from either database: no tuples, no minus zero."""
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    if isinstance(value, float) and value == 0:
        return 0.0
    return value


def _shop(shop: Shop, language: str) -> dict[str, Any]:
    return {
        "name": shop.name,
        "address": shop.address,
        "phone": shop.phone,
        "email": shop.email,
        "time_zone": shop.time_zone,
        "units": shop.units,
        "paper": shop.paper_size,
        "terms": shop.terms_in(language),
        "verify_address": shop.verify_address,
    }


def _vehicle(job: Job) -> dict[str, Any]:
    vehicle, model = job.vehicle, job.vehicle.vehicle_model
    return {
        "title": vehicle.title,
        "plate": vehicle.plate,
        "vin": vehicle.vin,
        "vin_odd": vehicle.vin_odd,
        "year": vehicle.year,
        "colour": vehicle.colour,
        "make": model.make,
        "model": model.model,
        "years": model.years,
        "trim": model.trim,
        "audio_package": model.audio_package,
        "factory_amplifier": model.factory_amplifier,
        "body_shape": model.body_shape,
        "powertrain": model.get_powertrain_display(),
        "high_voltage": model.high_voltage,
    }


def _check_in(job: Job) -> dict[str, Any] | None:
    row = getattr(job, "check_in", None)
    if row is None:
        return None
    return {
        "odometer": row.odometer,
        "odometer_unit": row.odometer_unit,
        "energy_percent": row.energy_percent,
        "keys_count": row.keys_count,
        "keys_note": row.keys_note,
        "valuables": row.valuables,
        "customer_report": row.customer_report,
        "taken_by": _name(row.taken_by),
        "marks": [
            {"kind": mark.get_kind_display(), "x": mark.x, "y": mark.y, "note": mark.note}
            for mark in row.marks.all()
        ],
    }


PART_DATA: Final = (
    "data_file",
    "options",
    "firmware_before",
    "written_with",
    "written_cable",
    "backup",
    "no_backup",
)
"""What was put into a part; only what is known of it stands in the document."""


PART_MOUNT: Final = ("mount_place", "fixings", "torque_nm", "drilled")
"""How a part is fixed to the car."""


def _adapters(job: Job) -> list[dict[str, Any]]:
    return [
        {
            "name": lead.name,
            "from_plug": lead.from_plug,
            "to_plug": lead.to_plug,
            "wires": [
                {name: getattr(wire, name) for name in ADAPTER_WIRE} for wire in lead.wires.all()
            ],
        }
        for lead in job.adapters.prefetch_related("wires")
    ]


ADAPTER_WIRE: Final = ("from_pin", "to_pin", "base", "stripe", "note")


def _panels(job: Job) -> list[dict[str, Any]]:
    return [
        {
            "name": row.name,
            "clips": row.clips,
            "clips_replaced": row.clips_replaced,
            "state": row.get_state_display(),
            "note": row.note,
        }
        for row in job.panels.all()
    ]


def _programs(job: Job, plan: Plan) -> dict[str, dict[str, Any]]:
    """What was typed into each part's own program and read back, and under which name it keeps it;
    by label, of parts of which anything of this is said."""
    parts = {part.label: part for part in job.parts.select_related("state_by")}
    told = {}
    for one in entry_lists(job, plan):
        part, entries = parts[one.device.id], one.entries
        people = [entry.row.typed_by for entry in entries if entry.ticked]
        readers = [entry.row.shown_by for entry in entries if entry.proved]
        if not (people or readers or any(entry.shown for entry in entries) or part.state_by):
            continue
        told[part.label] = {
            "total": one.total,
            "entered": one.ticked,
            "entered_by": list(dict.fromkeys(map(_name, people))),
            "read_back": one.proved,
            "read_back_by": list(dict.fromkeys(map(_name, readers))),
            "shown_otherwise": one.differing,
            **({"beyond": part.beyond} if part.beyond_by_id is not None else {}),
            "state_name": part.state_name if part.state_by else "",
            "state_slot": part.state_slot if part.state_by else "",
            "state_by": _name(part.state_by),
            "state_at": _moment(part.state_at),
            "state_device": part.state_device,
        }
    return told


def _parts(job: Job, plan: Plan) -> list[dict[str, Any]]:
    programs = _programs(job, plan)
    return [
        {
            "label": part.label,
            "kind": part.product.kind,
            "kind_label": part.product.get_kind_display(),
            "product": str(part.product),
            "product_id": part.product_id,
            "maker": part.product.maker,
            "name": part.product.name,
            "part_number": part.product.part_number,
            "quantity": part.quantity,
            "serial": part.serial,
            "firmware": part.firmware,
            "turn_on": part.get_turn_on_display(),
            "turn_on_by": part.turn_on_by.label if part.turn_on_by else "",
            "input_from": part.get_input_from_display(),
            "digital_input": part.digital_input,
            "note": part.note,
            "mount": {name: one for name in PART_MOUNT if (one := getattr(part, name))},
            "data": {name: one for name in PART_DATA if (one := getattr(part, name))},
            **({"program": programs[part.label]} if part.label in programs else {}),
        }
        for part in job.parts.select_related("product", "turn_on_by")
    ]


def _fit_proofs(job: Job) -> list[dict[str, Any]]:
    return [
        {
            "source": row.source,
            "reference": row.reference,
            "consulted_on": row.consulted_on.isoformat(),
            "outcome": row.get_outcome_display(),
            "note": row.note,
            "guide": PurePosixPath(row.guide.name or "").name,
            "by": _name(row.by),
        }
        for row in job.fit_proofs.select_related("by")
    ]


def _heard(row: FunctionCheck, phase: str) -> str:
    """From where and how loud a signal of the car is heard; empty where nothing is said."""
    place = getattr(row, f"get_{phase}_heard_from_display")()
    return ", ".join(filter(None, [place, getattr(row, f"{phase}_level")]))


def _functions(job: Job) -> list[dict[str, Any]]:
    return [
        {
            "group": row.group,
            "name": row.name,
            "before": row.before,
            "before_label": row.get_before_display(),
            "before_note": row.before_note,
            "before_heard": _heard(row, "before"),
            "before_by": _name(row.before_by),
            "before_at": _moment(row.before_at),
            "after": row.after,
            "after_label": row.get_after_display(),
            "after_note": row.after_note,
            "after_heard": _heard(row, "after"),
            "after_by": _name(row.after_by),
            "after_at": _moment(row.after_at),
            "lost": row.was_lost,
        }
        for row in job.function_checks.select_related("before_by", "after_by")
    ]


def _readings(job: Job) -> list[dict[str, Any]]:
    return [
        {
            "kind": row.kind,
            "about": row.about,
            "label": row.label,
            "unit": row.unit,
            "wanted_before": row.wanted_before,
            "before_value": row.before_value,
            "before_instrument": row.before_instrument,
            "before_by": _name(row.before_by),
            "before_at": _moment(row.before_at),
            "after_value": row.after_value,
            "after_instrument": row.after_instrument,
            "after_by": _name(row.after_by),
            "after_at": _moment(row.after_at),
        }
        for row in job.readings.select_related("before_by", "after_by")
    ]


def _fault_codes(job: Job) -> dict[str, Any]:
    """Lines of codes, person and moment of each time they were read; empty where nobody did.

    `new` lists those after the work that were not there before it.
    """
    row = FaultCodes.objects.filter(job=job).select_related("before_by", "after_by").first()
    read = {
        phase: {
            "codes": getattr(row, f"{phase}_codes").splitlines(),
            "none": says_none(getattr(row, f"{phase}_codes")),
            "by": _name(getattr(row, f"{phase}_by")),
            "at": _moment(getattr(row, f"{phase}_at")),
        }
        for phase in ("before", "after")
        if row is not None and getattr(row, f"{phase}_codes")
    }
    if row is not None and "after" in read:
        read["after"]["new"] = new_codes(row.before_codes, row.after_codes)
    return read


def _tuning(job: Job) -> dict[str, Any]:
    """Name, note, person and moment of the records before and after; their settings are in the
    plans. `channels` lists the channels that have a row in the record."""
    records = job.tuning_records.filter(
        kind__in=[TuningKind.BEFORE, TuningKind.AFTER]
    ).select_related("by")
    return {
        record.kind: {
            "name": record.name,
            "note": record.note,
            "by": _name(record.by),
            "at": _moment(record.at),
            "channels": [
                row.channel.plan_id for row in record.settings.select_related("channel__part")
            ],
        }
        for record in records
    }


def _findings(job: Job, findings: list[Any]) -> list[dict[str, Any]]:
    reasons = {row.fingerprint: row for row in job.finding_reasons.select_related("by")}
    listed = []
    for finding in findings:
        given = reasons.get(finding.fingerprint)
        listed.append(
            {
                **finding.as_dict(),
                "fingerprint": finding.fingerprint,
                "reason": given.reason if given else "",
                "reason_by": _name(given.by) if given else "",
                "reason_at": _moment(given.at) if given else None,
            }
        )
    return listed


def _plugs(job: Job, plan: Plan) -> list[dict[str, Any]]:
    """The faces, as entered, of those plugs that carry a channel of the job."""
    used = {plug_key(one.wire.connector) for one in plan.channels if one.wire is not None}
    tables = PlugTable.objects.filter(
        Q(vehicle_model=job.vehicle.vehicle_model_id) | Q(product__in=job.parts.values("product"))
    ).prefetch_related("cavities")
    return [
        {
            "name": table.name,
            "of": table.owner,
            "rows": table.rows,
            "columns": table.columns,
            "seen_from": table.get_seen_from_display(),
            "cavities": [
                {
                    "cavity": one.cavity,
                    "base": one.base,
                    "stripe": one.stripe,
                    "function": one.function,
                    "proof": one.get_proof_display(),
                }
                for one in table.cavities.all()
            ],
        }
        for table in tables.select_related("vehicle_model", "product")
        if plug_key(table.name) in used
    ]


def _assumptions(plan: Plan) -> list[dict[str, Any]]:
    return [
        {
            "name": name,
            "label": label,
            "value": getattr(plan.assumptions, name),
            "source": source,
        }
        for name, label, source in ASSUMPTIONS
    ]


def _signatures(job: Job, signing: Signing | None) -> dict[str, Any]:
    check_in = getattr(job, "check_in", None)
    finished = handed_over(job)
    return {
        "condition": {
            "name": check_in.signed_name,
            "image": check_in.signature,
            "at": _moment(check_in.signed_at),
        }
        if check_in is not None and check_in.signed_at
        else None,
        "work": {
            "people": names_of_workers(job, finished),
            "at": _moment(finished.at),
            "handed_over_by": _name(finished.actor),
        }
        if finished is not None
        else None,
        "manager": {
            "name": _name(signing.signed_by),
            "at": _moment(signing.signed_at),
            "own": own_in_review(job, signing.signed_by),
        }
        if signing is not None
        else None,
    }


def _sheet(job: Job, signing: Signing | None) -> dict[str, Any]:
    if signing is None:
        return {"number": str(job), "revision": None, "draft": True}
    return {
        "number": sheet_number(job.number, signing.revision),
        "revision": signing.revision,
        "draft": False,
        "signed_at": _moment(signing.signed_at),
    }


def _correction(job: Job, signing: Signing | None, document: dict[str, Any]) -> dict[str, Any]:
    """Which sheet this one corrects, why, and every difference from it."""
    if signing is not None:
        corrects, reason = signing.corrects, signing.correction_reason
    elif job.correction:
        corrects = job.sheets.select_related("job").defer("pdf").order_by("-revision").first()
        reason = job.correction_reason
    else:
        corrects, reason = None, ""
    return {
        "corrects": corrects.number if corrects else "",
        "corrects_sha256": corrects.document_sha256 if corrects else "",
        "correction_reason": reason,
        "changes": record_changes.changes(corrects.document, document) if corrects else [],
    }


def _build(job: Job, signing: Signing | None) -> dict[str, Any]:
    """Kept in English whoever signs; `language` is that of the customer's page, `shop_language`
    that of the other papers, which is not said where it is English."""
    with speaking(ENGLISH):
        return _built(job, signing)


def _built(job: Job, signing: Signing | None) -> dict[str, Any]:
    shop = Shop.objects.current()
    after = plan_of(job, TuningKind.AFTER, shop)
    before = plan_of(job, TuningKind.BEFORE, shop)
    tuning = _tuning(job)
    language = first_of(job.customer, shop)
    document = {
        "document_version": DOCUMENT_VERSION,
        "language": language,
        **({} if shop.paper_language == ENGLISH else {"shop_language": shop.paper_language}),
        "logo": ShopLogo.shown(),
        "sheet": _sheet(job, signing),
        "shop": _shop(job.shop_there(shop), language)
        | {"warranty_months": promised_months(job, shop)},
        "job": {
            "number": job.number,
            "wants": job.wants,
            "bay": str(job.bay),
            "technician": _name(job.technician),
            "starts_at": _moment(job.starts_at),
            "started_at": _moment(started_at(job)),
            "comeback_of": str(job.comeback_of) if job.comeback_of else "",
        },
        "customer": {
            "name": job.customer.name,
            "phone": job.customer.phone,
            "email": job.customer.email,
            "address": job.customer.address,
        },
        "vehicle": _vehicle(job),
        "check_in": _check_in(job),
        "fit_proofs": _fit_proofs(job),
        "parts": _parts(job, after),
        "panels": _panels(job),
        "adapters": _adapters(job),
        "speaker_parts": {
            row.label: row.part.label if row.part else ""
            for row in job.speakers.select_related("part")
        },
        "plan": to_builtins(after),
        "plan_before": to_builtins(before) if tuning.get("before", {}).get("channels") else None,
        "tuning": tuning,
        "polarity_by": {
            row.plan_id: row.get_polarity_by_display()
            for row in job.channels.exclude(polarity_by="").select_related("part")
        },
        "sound": tuned_of(
            job,
            after,
            before if tuning.get("before", {}).get("channels") else None,
            signing is not None,
        ),
        "plugs": _plugs(job, after),
        "results": results_of(after),
        "fault_codes": _fault_codes(job),
        "function_checks": _functions(job),
        "readings": _readings(job),
        "other_settings": [
            {"name": row.name, "before": row.before, "after": row.after}
            for row in job.other_settings.all()
        ],
        "notes": [
            {"text": row.text, "by": _name(row.by), "at": _moment(row.at)}
            for row in job.notes.select_related("by")
        ],
        "photos": photos_of(job, signing.digests if signing else None),
        "findings": _findings(job, findings_of(job, after)),
        "cautions": cautions.for_sheet(high_voltage=job.vehicle.vehicle_model.high_voltage),
        "assumptions": _assumptions(after),
        "tables": list(published_tables()),
        "signatures": _signatures(job, signing),
    }
    plain = _plain(document)
    assert isinstance(plain, dict)
    plain["sheet"] |= _correction(job, signing, plain)
    return plain


def draft(job: Job) -> dict[str, Any]:
    """The document as the job stands, unsigned. `job` should come from `load(...)`."""
    return _build(job, None)


def freeze(job: Job, signing: Signing) -> dict[str, Any]:
    """The document that is signed. Raises Refused where a photo's file is missing."""
    return _build(job, signing)


def load(**lookup: Any) -> Job:
    """The job with the rows the document names. Raises Job.DoesNotExist."""
    return Job.objects.select_related(
        "customer", "vehicle__vehicle_model", "bay", "technician", "check_in", "supply"
    ).get(**lookup)


def receipt_of(name: str, image: str, at: datetime, handed_over_by: StaffMember) -> dict[str, Any]:
    """The customer's signature on a sheet, as its PDF shows it."""
    return {
        "name": name,
        "image": image,
        "at": _moment(at),
        "handed_over_by": _name(handed_over_by),
    }
