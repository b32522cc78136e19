"""The event log in sentences. The log keeps codes and data; the words are made here, when shown."""

from collections import defaultdict
from collections.abc import Iterable
from datetime import datetime
from typing import Any, Final

from django.apps import apps
from django.core.exceptions import FieldDoesNotExist
from django.db import models
from django.utils import timezone
from django.utils.dateparse import parse_datetime
from django.utils.formats import date_format

from jobs.lifecycle import MOVES, Stage
from jobs.models import Job, JobEvent

_FIXED: Final = {
    "job.booked": "Booked",
    "job.changed": "Booking changed",
    "part.added": "Part added",
    "part.changed": "Part changed",
    "part.removed": "Part removed",
    "check_in.saved": "Check-in written down",
    "check_in.signed": "Customer signed the condition",
}
_UNSAID: Final = frozenset({"version", "stage", "label"})


def _value(value: Any, field: Any = None) -> str:
    if value is None or value == "":
        return "nothing"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, list):
        return ", ".join(_value(one) for one in value) or "nothing"
    if isinstance(value, dict):
        return ", ".join(f"{name} {_value(one)}" for name, one in value.items())
    choices = dict(getattr(field, "flatchoices", ()) or ())
    if value in choices:
        return f"“{choices[value]}”"
    text = str(value)
    moment = parse_datetime(text) if len(text) >= 16 and text[4:5] == "-" else None
    if isinstance(moment, datetime) and moment.tzinfo:
        return date_format(timezone.localtime(moment), "D j M, H:i")
    return f"“{text}”"


def _field_of(model: type[models.Model] | None, name: str) -> Any:
    try:
        return model._meta.get_field(name) if model else None
    except FieldDoesNotExist:
        return None


def _changes(event: JobEvent, model: type[models.Model] | None) -> str:
    said = []
    for name, new in event.after.items():
        if name in _UNSAID:
            continue
        field = _field_of(model, name)
        label = str(getattr(field, "verbose_name", name.replace("_", " ")))
        if getattr(field, "is_relation", False) and not isinstance(new, str):
            said.append(f"{label} changed")
        elif name in event.before:
            old = _value(event.before[name], field)
            said.append(f"{label} from {old} to {_value(new, field)}")
        else:
            said.append(f"{label} {_value(new, field)}")
    return "; ".join(said)


def _part(data: dict[str, Any]) -> str:
    quantity = data.get("quantity", 1)
    times = f"{quantity} × " if quantity != 1 else ""
    return f"{data.get('label', '')} {times}{data.get('product', '')}".strip()


def _sentence(event: JobEvent, model: type[models.Model] | None, name: str) -> str:
    prefix, _, verb = event.code.partition(".")
    if prefix == "job" and verb in MOVES:
        ends = event.after.get("stage", "")
        stage = Stage(ends).label.lower() if ends in Stage.values else ends
        reason = event.after.get("reason")
        return f"{MOVES[verb].label}: now {stage}.{f' Reason: {reason}' if reason else ''}"
    if event.code == "part.added":
        return f"Part added: {_part(event.after)}."
    if event.code == "part.removed":
        gone = ", ".join(event.before.get("with") or [])
        return f"Part removed: {_part(event.before)}{', with ' + gone if gone else ''}."
    title = _FIXED.get(event.code)
    if title is None:
        kind = str(model._meta.verbose_name) if model else prefix.replace("_", " ")
        title = kind.capitalize() if verb == "changed" else f"{kind.capitalize()} {verb}"
    what = " ".join(filter(None, [title, name]))
    changes = _changes(event, model)
    return f"{what}: {changes}." if changes else f"{what}."


def told(events: Iterable[JobEvent]) -> list[JobEvent]:
    """The events with `sentence` set on each; names of rows are read in one query a kind."""
    listed = list(events)
    wanted: dict[type[models.Model], set[int]] = defaultdict(set)
    subjects: dict[int, tuple[type[models.Model] | None, int]] = {}
    for event in listed:
        name, _, key = event.subject.partition(":")
        model = apps.all_models["jobs"].get(name)
        subjects[event.pk] = (model, int(key) if key.isdigit() else 0)
        if model is not None and key.isdigit() and model is not Job:
            wanted[model].add(int(key))
    names = {
        model: {row.pk: str(row) for row in _rows(model, keys)} for model, keys in wanted.items()
    }
    for event in listed:
        model, key = subjects[event.pk]
        called = names.get(model, {}).get(key, "") if model else ""
        if model is None and event.code.startswith("job."):
            model = Job
        event.sentence = _sentence(event, model, called)  # type: ignore[attr-defined]
    return listed


def _rows(model: type[models.Model], keys: set[int]) -> models.QuerySet[Any]:
    rows = model._default_manager.filter(pk__in=keys)
    related = {
        "channel": ("part",),
        "channelsetting": ("record", "channel__part"),
        "jobpart": ("product",),
    }.get(model._meta.model_name or "")
    return rows.select_related(*related) if related else rows


def history_of(job: Job, most: int = 40) -> list[JobEvent]:
    """The newest events of a job, each with its sentence."""
    return told(job.events.select_related("actor")[:most])
