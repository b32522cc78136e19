"""From the frozen document to what the sheet's templates show: strings, rows and pictures.

Nothing is worked out here but counts and words; every figure comes out of the document.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

import msgspec
import segno
from django.utils.safestring import mark_safe
from django.utils.translation import gettext, gettext_noop as kept, ngettext

from jobs import wording
from jobs.plan import car_drawing as pictures
from jobs.plan.spoken import spoken
from jobs.services.work_done import OWN_ENTRIES, OWN_WORK
from jobs.sheet.arrival_values import arrival_halves
from jobs.sheet.change_values import change_values
from jobs.sheet.earlier import newest
from jobs.sheet.photos import MOST_PRINTED
from jobs.sheet.power_values import power_values
from jobs.sheet.tuning_values import tuned_values, without_levels
from jobs.symbols import with_symbols
from jobs.wording import NOTHING, Local
from shop.kept_words import told
from shop.wording import inner
from wiring.findings import Finding
from wiring.plan import Plan, from_builtins

Document = Mapping[str, Any]
SEVERITIES: Final = ("stop", "caution", "note")
CONDITION_ROLE: Final = kept("Condition on arrival, customer")
WORK_ROLE: Final = kept("Work done and tried, technician")
WORK_ROLES: Final = kept("Work done and tried, technicians")
MANAGER_ROLE: Final = kept("Reviewed and signed, manager")
CUSTOMER_ROLE: Final = kept("Received, customer")
"""Who signs for what; said in the reader's language where it is shown."""
FIGURE_TEXTS: Final = ("label", "formula", "worked", "source")


def _feeds(channel: Mapping[str, Any], speakers: Mapping[str, Any]) -> list[dict[str, str]]:
    fed = [
        {"id": one, "words": wording.speaker_placed(speakers[one]), "name": speakers[one]["name"]}
        for one in channel.get("speakers", ())
        if one in speakers
    ]
    if device := channel.get("feeds_device"):
        entry = channel.get("feeds_input")
        fed.append({"id": device, "words": _input(entry), "name": ""})
    return fed


def _products(channels: Iterable[Mapping[str, Any]]) -> dict[str, list[str]]:
    """The speakers by product, each once, in the order of the channels."""
    products: dict[str, dict[str, None]] = {}
    for channel in channels:
        for fed in channel["feeds"]:
            if fed["name"]:
                products.setdefault(fed["name"], {})[fed["id"]] = None
    return {name: list(ids) for name, ids in products.items()}


def _clips(channels: Iterable[Mapping[str, Any]]) -> dict[str, list[str]]:
    """Where the signal clips first, each place once, with the channels it is said of."""
    places: dict[str, list[str]] = {}
    for channel in channels:
        if channel["clips"]:
            places.setdefault(channel["clips"], []).append(channel["id"])
    return places


def _input(number: int | None) -> str:
    return gettext("input %(number)s") % {"number": number} if number else gettext("input")


def _polarity(wire: Mapping[str, Any], by: str) -> str:
    """ "proved, battery pulse"; `by` is how, empty where nobody said."""
    proved = wire.get("polarity_proved")
    if proved is None:
        return gettext("not stated")
    said = gettext("proved") if proved else gettext("not proved")
    return ", ".join(filter(None, [said, inner(told(by))]))


def _lead(one: Mapping[str, Any] | None) -> dict[str, str]:
    lead = wording.lead(one)
    return {**lead, "swatch": pictures.wire_swatch(lead["base"], lead["stripe"], lead["colour"])}


def _is_used(channel: Mapping[str, Any]) -> bool:
    return bool(channel.get("speakers") or channel.get("feeds_device"))


def _is_bare(channel: Mapping[str, Any]) -> bool:
    """A line output of which no wire is recorded: a plug at most."""
    wire = channel.get("wire") or {}
    leads = [*(wire.get("positive") or {}).values(), *(wire.get("negative") or {}).values()]
    return channel["kind"] == "line" and not any(leads) and not channel.get("cable")


def _channel(
    channel: Mapping[str, Any],
    speakers: Mapping[str, Any],
    results: Mapping[str, Any],
    local: Local,
    polarity_by: str,
) -> dict[str, Any]:
    wire = channel.get("wire") or {}
    result = results.get(channel["id"], {})
    bridged = channel.get("bridged_with")
    return {
        "id": wording.bridged(channel["id"], bridged),
        "bridged": bridged is not None,
        "line": channel["kind"] == "line",
        "bare": _is_bare(channel),
        "said": ", ".join(filter(None, [wire.get("connector", ""), channel.get("note", "")])),
        "feeds": (fed := _feeds(channel, speakers)),
        "fed_ids": ", ".join(one["id"] for one in fed),
        "joining": told(wording.JOININGS[channel.get("joining", "single")]),
        "connector": wire.get("connector", "") or NOTHING,
        "positive": _lead(wire.get("positive")),
        "negative": _lead(wire.get("negative")),
        "wired": bool(wire),
        "polarity": _polarity(wire, polarity_by) if wire and channel["kind"] != "line" else NOTHING,
        "load": wording.quantity(result.get("load_ohm"), "Ω"),
        "power": wording.quantity(result.get("power_w"), "W"),
        "drawing": mark_safe(spoken(result.get("drawing", ""))),
        "measured": wording.quantity(channel["measured_load_ohm"], "Ω")
        if channel.get("measured_load_ohm")
        else NOTHING,
        "apart": wording.apart(result.get("measured_percent")),
        "cable": local.speaker_cable(channel["cable"]) if channel.get("cable") else "",
        "stated": wording.quantity(channel["stated_load_ohm"], "Ω")
        if channel.get("stated_load_ohm")
        else "",
        "held": wording.quantity(channel["output_limit_v"], "V")
        if channel.get("output_limit_v")
        else "",
        "clips": with_symbols(result.get("clips_first", "")),
        "note": channel.get("note", ""),
    }


def _setting(setting: Mapping[str, Any] | None) -> dict[str, Any]:
    if setting is None:
        return {"recorded": False, "high_pass": None, "low_pass": None, "sections": []}
    return {
        "recorded": True,
        "high_pass": wording.crossover(setting.get("high_pass")),
        "low_pass": wording.crossover(setting.get("low_pass")),
        "level": wording.level(setting.get("level_db", 0.0)),
        "delay": wording.delay(setting.get("delay_ms", 0.0)),
        "inverted": setting.get("inverted", False),
        "polarity": gettext("inverted") if setting.get("inverted") else gettext("normal"),
        "muted": setting.get("muted", False),
        "sections": [wording.section(one) for one in setting.get("sections", ())],
    }


def _settings_of(plan: Document | None, tuning: Document, kind: str) -> dict[str, Any]:
    recorded = set(tuning.get(kind, {}).get("channels", ()))
    if plan is None:
        return {}
    return {
        channel["id"]: channel.get("setting", {})
        for channel in plan.get("channels", ())
        if channel["id"] in recorded
    }


def _settings(document: Document, used: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    before = _settings_of(document["plan_before"], document["tuning"], "before")
    after = _settings_of(document["plan"], document["tuning"], "after")
    rows = []
    for channel in used:
        as_found, left = (_setting(one.get(channel["id"])) for one in (before, after))
        names = ("high_pass", "low_pass", "level", "delay", "polarity", "sections")
        rows.append(
            {
                "id": channel["id"],
                "before": as_found,
                "after": left,
                "changed": {
                    name: as_found["recorded"] and as_found.get(name) != left.get(name)
                    for name in names
                },
            }
        )
    return rows


def _alike(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Rows of the settings that are equal in everything as one, with the names of all."""
    groups: dict[str, list[dict[str, Any]]] = {}
    for row in rows:
        groups.setdefault(repr((row["before"], row["after"])), []).append(row)
    return [{**same[0], "id": ", ".join(one["id"] for one in same)} for same in groups.values()]


def _function_lines(rows: list[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """A group of functions in lines: those that were and are the same by name, any other, and
    any of which something was noted, in a line of its own."""
    together: dict[str, list[str]] = {}
    lines = []
    for row in rows:
        noted = row["before_note"] or row["after_note"]
        labels = {phase: told(row[f"{phase}_label"] or NOTHING) for phase in ("before", "after")}
        said = gettext("%(before)s before, %(after)s after") % labels
        if labels["before"] == labels["after"]:
            said = gettext("%(before)s before and after") % {"before": labels["before"]}
        if row["before"] == row["after"] and not noted and not row["lost"]:
            together.setdefault(said, []).append(told(row["name"]))
        else:
            notes = {name: row[name].rstrip(" .") for name in ("before_note", "after_note")}
            lines.append({**row, **notes, "names": told(row["name"]), "said": said})
    return [
        *(
            {"names": "; ".join(names), "said": said}
            for said, names in sorted(together.items(), key=lambda one: -len(one[1]))
        ),
        *lines,
    ]


def _summary(works: int, fitted: int, lost: int) -> str:
    """How many of the car's functions work after the job."""
    count = {"works": works, "fitted": fitted, "lost": lost}
    if lost:
        said = ngettext(
            "%(works)s of %(fitted)s fitted functions works after the job; %(lost)s lost.",
            "%(works)s of %(fitted)s fitted functions work after the job; %(lost)s lost.",
            works,
        )
    else:
        said = ngettext(
            "%(works)s of %(fitted)s fitted functions works after the job; none was lost.",
            "%(works)s of %(fitted)s fitted functions work after the job; none was lost.",
            works,
        )
    return said % count


def _functions(document: Document) -> dict[str, Any]:
    rows = document["function_checks"]
    groups: dict[str, list[Mapping[str, Any]]] = {}
    for row in rows:
        groups.setdefault(row["group"], []).append(row)
    works = sum(row["after"] == "works" for row in rows)
    fitted = sum(row["after"] not in {"not_fitted", ""} for row in rows)
    lost = sum(row["lost"] for row in rows)
    named = [{"name": name, "rows": listed} for name, listed in groups.items()]
    return {
        "lines": [
            {"name": name, "lines": _function_lines(listed)} for name, listed in groups.items()
        ],
        "bands": [named[at : at + 2] for at in range(0, len(named), 2)],
        "summary": _summary(works, fitted, lost),
        "people": ", ".join(
            sorted({row[by] for row in rows for by in ("before_by", "after_by") if row[by]})
        ),
    }


def _readings(rows: Sequence[Mapping[str, Any]], local: Local) -> dict[str, Any]:
    """The readings; a day on which all of one side were taken is said once, above them."""
    days = {}
    for phase in ("before", "after"):
        taken = {local.day(row[f"{phase}_at"]) for row in rows if row[f"{phase}_value"] is not None}
        days[phase] = taken.pop() if len(taken) == 1 else ""
    return {
        "rows": [_reading(row, local, days) for row in rows],
        "before_on": days["before"],
        "after_on": days["after"],
    }


def _reading(row: Mapping[str, Any], local: Local, days: Mapping[str, str]) -> dict[str, str]:
    reading = {"label": row["label"]}
    for phase, day in days.items():
        taken = row[f"{phase}_value"] is not None
        at = row[f"{phase}_at"]
        when = local.hour(at) if day else local.moment(at)
        reading[phase] = wording.quantity(row[f"{phase}_value"], row["unit"])
        reading[f"{phase}_how"] = ", ".join(
            filter(None, [row[f"{phase}_instrument"], when]) if taken else []
        )
    return reading


def finding_values(finding: Mapping[str, Any], local: Local) -> dict[str, Any]:
    """One frozen finding as the templates show it."""
    figures = [
        {
            **{name: with_symbols(figure.get(name, "")) for name in FIGURE_TEXTS},
            "said": wording.quantity(figure["value"], with_symbols(figure["unit"])),
            "assumed": [with_symbols(one) for one in figure.get("assumed", ())],
        }
        for figure in finding.get("figures", ())
    ]
    return {
        **finding,
        **{name: with_symbols(finding.get(name, "")) for name in ("title", "detail", "what_to_do")},
        "where_said": ", ".join(
            one
            for one in finding.get("where", ())
            if not one.startswith(("function-", "fault-codes"))
        ),
        "figures": figures,
        "reason_at_said": local.moment(finding["reason_at"]),
    }


def _mounted(document: Document) -> list[dict[str, str]]:
    """How each part is mounted, of those of which something is said."""
    return [
        {
            "label": one["label"],
            "product": one["product"],
            "place": mount.get("mount_place", "") or NOTHING,
            "fixings": mount.get("fixings", "") or NOTHING,
            "torque": wording.quantity(mount.get("torque_nm"), "N·m"),
            "drilled": mount.get("drilled", ""),
        }
        for one in document["parts"]
        if (mount := one.get("mount"))
    ]


def _programs(document: Document, local: Local) -> list[dict[str, Any]]:
    """What was typed into each part's program, read back and stored."""
    return [
        {
            "label": one["label"],
            "product": one["product"],
            **told,
            "stored": ", ".join(filter(None, [told["state_by"], local.moment(told["state_at"])])),
        }
        for one in document["parts"]
        if (told := one.get("program"))
    ]


def _panels(document: Document) -> list[dict[str, str]]:
    return [
        {
            "name": one["name"],
            "clips": NOTHING if one["clips"] is None else str(one["clips"]),
            "replaced": NOTHING if one["clips_replaced"] is None else str(one["clips_replaced"]),
            "state": one["state"],
            "note": one["note"],
        }
        for one in document.get("panels", ())
    ]


def _adapters(document: Document) -> list[dict[str, Any]]:
    return [
        {**one, "wires": [{**wire, "lead": _lead(wire)} for wire in one["wires"]]}
        for one in document.get("adapters", ())
    ]


def _facts(document: Document, local: Local) -> dict[str, str]:
    """The short facts at the head of the sheet."""
    check_in = document["check_in"] or {}
    odometer = check_in.get("odometer")
    energy = check_in.get("energy_percent")
    job, work = document["job"], document["signatures"]["work"]
    return {
        "odometer": wording.odometer(odometer, check_in.get("odometer_unit", ""))
        if odometer is not None
        else NOTHING,
        "energy": wording.quantity(energy, "%"),
        "started": local.day(job.get("started_at")),
        "booked": "" if "started_at" in job else local.day(job["starts_at"]),
        "workers": ", ".join(work["people"]) if work else "",
    }


def _assumption(row: Mapping[str, Any], local: Local) -> dict[str, str]:
    name, value = row["name"], row["value"]
    if name.endswith(("_fraction", "_duty")):
        text = wording.quantity(100 * value, "%")
    elif name.endswith("_c"):
        text = wording.quantity(value, "°C")
    elif name.endswith("_ohm"):
        text = wording.quantity(1000 * value, "mΩ")
    elif name.endswith("_m"):
        text = local.distance(value)
    elif name.endswith("_a"):
        text = wording.quantity(value, "A")
    else:
        text = wording.quantity(value, "dB")
    return {"label": row["label"], "value": text, "source": row["source"]}


_REVIEWED_OWN: Final = {
    OWN_WORK: kept("reviewed their own work"),
    OWN_ENTRIES: kept("reviewed their own entries in this correction"),
}


def _signed(document: Document, receipt: Mapping[str, Any] | None) -> list[dict[str, Any]]:
    """Who signed or stands for what, in the order of the work."""
    signatures = document["signatures"]
    work = signatures["work"]
    if work:
        people, by = work["people"], work["handed_over_by"]
        work = {**work, "name": ", ".join(people)}
        note = gettext("handed to review by %(person)s") % {"person": by}
        work["note"] = note if by not in people else ""
    manager = signatures["manager"]
    if manager:
        own = [gettext(_REVIEWED_OWN[one]) for one in manager.get("own", ())]
        manager = {**manager, "note": wording.listed(own)}
    many = work and len(work["people"]) > 1
    return [
        {**one, "role": role}
        for role, one in (
            (CONDITION_ROLE, signatures["condition"]),
            (WORK_ROLES if many else WORK_ROLE, work),
            (MANAGER_ROLE, manager),
            (CUSTOMER_ROLE, receipt),
        )
        if one
    ]


def _photos(document: Document, sources: Mapping[int, str] | None, local: Local) -> dict[str, Any]:
    """The photos in rows of three; `sources` says where each picture is found."""
    listed = document["photos"]
    shown = [
        {
            **one,
            "src": (sources or {}).get(one["id"], ""),
            "shows": (shows := wording.photographed(one["shows"])),
            "alt": ": ".join(filter(None, [shows, one["caption"]])),
            "when": local.moment(one["at"]),
        }
        for one in listed[:MOST_PRINTED]
    ]
    return {
        "rows": [shown[at : at + 3] for at in range(0, len(shown), 3)],
        "more": len(listed) - len(shown),
        "signed": any(one["sha256"] for one in listed),
    }


def _check_code(document: Document) -> str:
    """The code that leads to the page where anybody checks this sheet; none on a draft."""
    address = document["shop"].get("verify_address", "")
    if not address or document["sheet"]["draft"]:
        return ""
    drawn = segno.make(address, error="m", micro=False)
    return mark_safe(drawn.svg_inline(scale=4, border=2))


def _image(data_url: str) -> str:
    return data_url if data_url.startswith("data:image/png;base64,") else ""


def _counts(findings: list[dict[str, Any]]) -> str:
    counted = {
        severity: sum(one["severity"] == severity for one in findings) for severity in SEVERITIES
    }
    return gettext("%(stops)s, %(cautions)s, %(notes)s") % {
        "stops": ngettext("%(count)s stop", "%(count)s stops", counted["stop"])
        % {"count": counted["stop"]},
        "cautions": ngettext("%(count)s caution", "%(count)s cautions", counted["caution"])
        % {"count": counted["caution"]},
        "notes": ngettext("%(count)s note", "%(count)s notes", counted["note"])
        % {"count": counted["note"]},
    }


def _pictures(document: Document, plan: Plan) -> dict[str, Any]:
    listed = [
        msgspec.convert(
            {name: one[name] for name in Finding.__struct_fields__ if name in one}, Finding
        )
        for one in document["findings"]
    ]
    marks = (document["check_in"] or {}).get("marks", [])
    shape = document["vehicle"]["body_shape"]
    return {
        "car": pictures.car_with_channels(plan, shape, listed),
        "condition": pictures.condition(marks) if marks else "",
        "condition_printed": pictures.condition(marks, lying=True) if marks else "",
    }


def sheet_values(
    document: Document,
    receipt: Mapping[str, Any] | None = None,
    photo_sources: Mapping[int, str] | None = None,
) -> dict[str, Any]:
    """Everything the sheet's templates need, from the frozen document and, once the customer has
    signed, the receipt. The document may be of any version; `photo_sources` gives the address of
    each photo's picture."""
    signed_version = document["document_version"]
    document = newest(document)
    local = Local(document["shop"]["units"], document["shop"]["time_zone"])
    plan = document["plan"]
    drawn = from_builtins(plan)
    channels = plan.get("channels", [])
    speakers = {one["id"]: one for one in plan.get("speakers", ())}
    used = [one for one in channels if _is_used(one)]
    bridged_away = {
        (one["device"], max(one["number"], one["bridged_with"]))
        for one in channels
        if one.get("bridged_with")
    }
    unused = [
        one["id"]
        for one in channels
        if not _is_used(one) and (one["device"], one["number"]) not in bridged_away
    ]
    findings = [finding_values(one, local) for one in document["findings"]]
    assumed = [_assumption(row, local) for row in document["assumptions"]]
    settings = _settings(document, used)
    channels_shown = [
        _channel(
            one,
            speakers,
            document["results"]["channels"],
            local,
            document.get("polarity_by", {}).get(one["id"], ""),
        )
        for one in used
    ]
    recorded = [one for one in settings if one["before"]["recorded"] or one["after"]["recorded"]]
    return {
        "document": document,
        "check_code": _check_code(document),
        "signed_version": signed_version,
        "sheet": document["sheet"],
        "changed": change_values(document["sheet"].get("changes", ()), local),
        "signed_on": local.day(document["sheet"].get("signed_at")),
        "facts": _facts(document, local),
        "pictures": _pictures(document, drawn),
        "channels": channels_shown,
        "products": _products(channels_shown),
        "notes_of_channels": [one for one in channels_shown if one["note"] and not one["bare"]],
        "bare_lines": [one for one in channels_shown if one["bare"]],
        "clips": _clips(channels_shown),
        "unused": ", ".join(unused),
        "settings": settings,
        "settings_alike": _alike(recorded),
        "any_inverted": any(one["after"].get("inverted") for one in recorded),
        "settings_missing": ", ".join(one["id"] for one in settings if one not in recorded),
        "sections": [
            {"id": row["id"], "before": row["before"], "after": row["after"]}
            for row in settings
            if row["before"]["sections"] or row["after"]["sections"]
        ],
        "power": power_values(document, drawn, local),
        "sound": tuned_values(document, local),
        "functions": _functions(document),
        "readings": _readings(list(without_levels(document["readings"], document)), local),
        "findings": findings,
        "counts": _counts(findings),
        "finding_sources": list(
            dict.fromkeys(
                f"{one['title']}: {with_symbols(one['source'])}"
                for one in findings
                if one["source"]
            )
        ),
        "photos": _photos(document, photo_sources, local),
        "mounted": _mounted(document),
        "adapters": _adapters(document),
        "panels": _panels(document),
        "programs": _programs(document, local),
        "fault_codes": [
            {
                "when": name,
                "codes": read["codes"],
                "none": read.get("none", False),
                "new": read.get("new", []),
                "how": ", ".join(filter(None, [read["by"], local.moment(read["at"])])),
            }
            for phase, name in (("before", "Before"), ("after", "After"))
            if (read := document.get("fault_codes", {}).get(phase))
        ],
        "arrival_halves": arrival_halves(document, local),
        "assumptions": assumed,
        "assumed_by_source": {
            source: [one for one in assumed if one["source"] == source]
            for source in dict.fromkeys(one["source"] for one in assumed)
        },
        "signatures": [
            {
                "role": one["role"],
                "name": one["name"],
                "note": one.get("note", ""),
                "when": local.moment(one["at"]),
                "image_shown": _image(one.get("image", "")),
            }
            for one in _signed(document, receipt)
        ],
        "receipt": receipt,
    }
