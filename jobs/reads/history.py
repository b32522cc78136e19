"""The event log in sentences. The log keeps codes and data; the words are made here, when shown."""

import re
from collections import defaultdict
from collections.abc import Iterable
from operator import attrgetter
from typing import Any, Final

from django.apps import apps
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext, gettext_noop as kept, ngettext

from jobs import wording
from jobs.lifecycle import MOVES, Stage
from jobs.models import CheckIn, Job, JobEvent, Said
from jobs.services.desk import SAID, WITHDRAWN
from jobs.services.saving import CLASH
from shop.change_words import field_of, is_nothing, label_of, with_unit
from shop.kept_words import told as told_now
from shop.wording import inner

_TITLES: Final = {
    "job.booked": "Booked",
    "clock.started": "Clock started",
    "clock.stopped": "Clock stopped",
    "clock.paused": "Clock paused",
    "clock.confirmed": "Clock confirmed",
    "clock.corrected": "Clock corrected",
    "photo.added": "Photo added",
    "photo.changed": "Photo",
    "photo.removed": "Photo taken away",
    "photo.put_back": "Photo put back",
    "recording.added": "Recording added",
    "recording.removed": "Recording taken away",
    "jobstep.added": "Step added to this job",
    "step.changed": "Step",
    "step.done": "Step done",
    "step.undone": "Step not done after all",
    "step.skipped": "Step not needed",
    "sendback.done": "Put right",
    "sendback.reopened": "Not put right after all",
    "job.changed": "Booking changed",
    "job.branch": "Moved to another branch",
    "job.set_apart": "Its bay was given twice, so it was set apart: give it a free bay",
    "part.changed": "Part changed",
    "desk.changed": "Customer and keys",
    "supply_of.changed": "Part",
    "comeback.changed": "Why it came back",
    "estimate.added": "Estimate line added",
    "estimate.changed": "Estimate line",
    "estimate.removed": "Estimate line taken out",
    "estimate.approved": "Estimate approved",
    "payment.noted": "Money noted",
    "check_in.saved": "Check-in written down",
    "check_in.signed": "Customer signed the condition",
    "fitproof.added": "Fit proof",
    "function.tried": "Tried",
    "function.added": "Function added to the list",
    "reading.taken": "Reading",
    "reading.added": "Reading added to the list",
    "reading.removed": "Reading taken off the list",
    "channel.changed": "Channel",
    "channel.speakers": "Channel",
    "channel.arranged": "Speakers joined on",
    "channel.plug": "Wire taken from a plug",
    "wires.written": "Wires written",
    "faultcodes.read": "Fault codes read",
    "adapter.added": "Adapter lead added",
    "adapter.pins": "Pins of a lead written",
    "adapter.changed": "Wire of a lead",
    "adapter.removed": "Taken out of the leads",
    "adapter.put_back": "Put back into the leads",
    "adapter.from_setup": "Adapter lead from the setup",
    "panel.added": "Panel taken off",
    "panel.from_setup": "Panel taken from the setup",
    "panel.changed": "Panel",
    "panel.removed": "Panel taken off the list",
    "panels.refitted": "Panels refitted",
    "steps.reconnect": "Steps added for a battery that was off",
    "setting.changed": "Setting",
    "setting.from_setup": "Setting from the setup",
    "setting.sections": "Equaliser",
    "setting.sides": "Left and right set together",
    "setting.copied": "Settings copied",
    "othersetting.changed": "Setting",
    "othersetting.added": "Setting added",
    "othersetting.from_setup": "Setting from the setup",
    "record.kept": "Settings kept as",
    "record.returned": "Settings taken back from",
    "run.added": "Cable added",
    "run.changed": "Cable changed",
    "run.proposed": "Cable proposed",
    "run.removed": "Cable taken out",
    "supply.changed": "Battery and alternator",
    "speaker.added": "Speaker placed",
    "speaker.set_added": "Set of speakers placed",
    "speaker.changed": "Speaker changed",
    "speaker.removed": "Speaker taken out",
    "seat.tapped": "Listening seat",
    "seat.changed": "Listening seat",
    "seat.from_setup": "Listening seat from the setup",
    "distance.measured": "Distance",
    "distance.from_setup": "Distance from the setup",
    "delays.put_in": "Delays put in",
    "levels.put_in": "Levels of pairs matched",
    "takes.averaged": "Takes averaged",
    "proposal.applied": "Proposed sections applied",
    "entry.typed": "Typed into the processor",
    "entry.read": "Read back",
    "entry.same": "Read back, all the same",
    "entry.beyond": "Set beyond the list",
    "entry.nothing_beyond": "Nothing set beyond the list",
    "entry.loaded": "Entered with a file that was loaded",
    "entry.stored": "State stored in the processor",
    "settings.rounded": "Settings rounded to what can be typed",
    "measured.imported": "Measurement imported",
    "measured.corrected": "Measurement corrected",
    "measured.changed": "Measurement",
    "measured.removed": "Measurement removed",
    "output.added": "Factory output added",
    "output.changed": "Factory output",
    "output.removed": "Factory output removed",
    "sum.added": "Sum of two factory outputs",
    "sum.changed": "Sum of two factory outputs",
    "sum.removed": "Sum of two factory outputs removed",
    "tuningfacts.changed": "Tuning",
    "finding.reason": "Reason given for a caution",
    "sheet.signed": "Install sheet signed",
    "sheet.received": "Install sheet signed by the customer",
    "setup.applied": "Saved setup used",
    "setup.saved": "Saved as a setup",
    "event.undone": "Undone",
}
MILESTONES: Final = (
    "job.",
    "check_in.",
    "part.",
    "note.",
    "fitproof.",
    "finding.",
    "sendback.",
    "sheet.",
    "setup.",
    "entry.stored",
    "estimate.approved",
    "comeback.",
    "payment.",
)
"""Beginnings of the codes that tell the story of a job without every cell of its sheet."""

_OF_CODE: Final[dict[str, type[models.Model]]] = {"job": Job, "check_in": CheckIn}
_UNSAID: Final = frozenset(
    {
        "version",
        "stage",
        "label",
        "document_sha256",
        "pdf_sha256",
        "sha256",
        "settings",
        "wires",
        "steps",
        "rows",
        "of",
        "shows",
    }
)


MOST_SAID: Final = 5


def _changes(event: JobEvent, model: type[models.Model] | None) -> str:
    phrases = []
    for name, new in event.after.items():
        if name in _UNSAID or (is_nothing(new) and is_nothing(event.before.get(name))):
            continue
        field = field_of(model, name)
        label = label_of(field, name)
        if getattr(field, "is_relation", False) and not isinstance(new, str):
            phrases.append(gettext("%(label)s changed") % {"label": told_now(label)})
        elif is_nothing(event.before.get(name)):
            phrases.append(_with_label(label, _kept(name, new), field))
        else:
            old = _with_label(label, event.before[name], field)
            phrases.append(f"{old} → {_value(with_unit(label, new, field)[1])}")
    if len(phrases) > MOST_SAID:
        more = len(phrases) - MOST_SAID + 1
        said = ngettext("and %(count)s more", "and %(count)s more", more) % {"count": more}
        phrases = [*phrases[: MOST_SAID - 1], said]
    return "; ".join(phrases)


def _with_label(label: str, value: Any, field: Any) -> str:
    label, said = with_unit(label, value, field)
    return wording.labelled(told_now(label), _value(said))


_NUMBERED: Final = re.compile(r"([A-Z]+\d+) (.+)")
_IN_RECORD: Final = re.compile(r"([A-Z]+\d\S*) in (.+)")


def _kept(name: str, value: Any) -> Any:
    """A value of which the words are ours even between quotation marks, as they are said now."""
    if name == "marks":  # "Front bumper: chip, Bonnet edge"
        marks = [_MARK.fullmatch(one) for one in value]
        return [
            f"{told_now(one[1])}: {told_now(one[2])}{one[3]}" if one else kept
            for one, kept in zip(marks, value, strict=True)
        ]
    return told_now(value) if name == "finding" else value


_MARK: Final = re.compile(r"(.+?): (\w+)(.*)", re.DOTALL)


def _called(name: str) -> str:
    """What a row is called, as it is said now: "SP3 coaxial, rear door left" too."""
    if found := _NUMBERED.fullmatch(name):
        return f"{found[1]} {told_now(found[2])}"
    if found := _IN_RECORD.fullmatch(name):
        said = {"channel": found[1], "record": told_now(found[2])}
        return gettext("%(channel)s in %(record)s") % said
    return told_now(name)


def _value(said: str) -> str:
    """A value as it is said now; what somebody typed stands in quotation marks."""
    return said if said.startswith("“") else told_now(said)


def _not_written(event: JobEvent, model: type[models.Model] | None) -> str:
    """What stood and what was not written over it, field by field."""
    phrases = []
    for name, mine in event.after.items():
        field = field_of(model, name)
        label, theirs = with_unit(label_of(field, name), event.before.get(name), field)
        wanted = with_unit(label_of(field, name), mine, field)[1]
        phrases.append(
            gettext("%(label)s stayed %(theirs)s, not %(wanted)s")
            % {"label": told_now(label), "theirs": _value(theirs), "wanted": _value(wanted)}
        )
    return "; ".join(phrases)


def _part(data: dict[str, Any]) -> str:
    quantity = data.get("quantity", 1)
    return f"{data.get('label', '')} {wording.times(quantity)}{data.get('product', '')}".strip()


def _sentence(event: JobEvent, model: type[models.Model] | None, name: str) -> str:
    prefix, _, verb = event.code.partition(".")
    if prefix == "job" and verb in MOVES:
        ends = event.after.get("stage", "")
        stage = Stage(ends).label.lower() if ends in Stage.values else ends
        reason = event.after.get("reason")
        worked = ", ".join(one["name"] for one in event.after.get("worked", ()))
        said = {"move": told_now(MOVES[verb].label), "stage": inner(told_now(stage))}
        sentence = f"{said['move']}."
        if ends != event.before.get("stage"):
            sentence = gettext("%(move)s: now %(stage)s.") % said
        sentences = [sentence]
        if bay := event.after.get("waits_for"):
            waits = gettext("Another car is in %(bay)s: this one waits for it.")
            sentences.append(waits % {"bay": bay})
        if worked:
            sentences.append(gettext("Work done by %(people)s.") % {"people": worked})
        if reason:
            sentences.append(gettext("Reason: %(reason)s") % {"reason": reason})
        return " ".join(sentences)
    if event.code == "part.added":
        return gettext("Part added: %(part)s.") % {"part": _part(event.after)}
    if event.code == "part.removed":
        gone = wording.listed(map(told_now, event.before.get("with") or []))
        said = {"part": _part(event.before), "gone": gone}
        if gone:
            return gettext("Part removed: %(part)s, with %(gone)s.") % said
        return gettext("Part removed: %(part)s.") % said
    if event.code in {SAID, WITHDRAWN}:
        how = event.after.get("how", "")
        label = Said(how).label if how in Said.values else how
        sentence = f"{told_now(label)}: {event.after.get('text', '')}"
        if event.code == WITHDRAWN:
            return gettext("Withdrawn: %(said)s") % {"said": sentence}
        return sentence
    if event.code == CLASH:
        return gettext("%(row)s: two people wrote at once. %(fields)s.") % {
            "row": _called(name or prefix),
            "fields": _not_written(event, model),
        }
    if event.code == "functions.group_works":
        absent = len(event.after.get("not_fitted", ()))
        counted = {"group": told_now(event.after.get("group", "")), "absent": str(absent)}
        if event.after.get("phase") == "before":
            whole, part = (
                gettext("%(group)s: all work before."),
                gettext("%(group)s: all work before, %(absent)s not fitted as before."),
            )
        else:
            whole, part = (
                gettext("%(group)s: all work after."),
                gettext("%(group)s: all work after, %(absent)s not fitted as before."),
            )
        return (part if absent else whole) % counted
    if event.code == "check_in.signed":
        by, how = event.after.get("signed by", ""), event.after.get("how", "")
        return f"{told_now(_TITLES[event.code])}: {by}{f', {told_now(how)}' if how else ''}."
    title = _TITLES.get(event.code)
    if title is None:
        kind = str(model._meta.verbose_name) if model else prefix.replace("_", " ")
        title = kind.capitalize() if verb == "changed" else f"{kind.capitalize()} {verb}"
    title = told_now(title)
    if prefix == "note" and verb == "added":
        return gettext("Note: %(text)s") % {"text": event.after.get("text", "")}
    called = _called(name)
    what = title if called == title else " ".join(filter(None, [title, called]))
    changes = _changes(event, model)
    return f"{what}: {changes}." if changes else f"{what}."


def told(events: Iterable[JobEvent]) -> list[JobEvent]:
    """The events with `sentence` set on each; names of rows are read in one query a kind."""
    listed = list(events)
    wanted: dict[type[models.Model], set[int]] = defaultdict(set)
    subjects: dict[int, tuple[type[models.Model] | None, int]] = {}
    for event in listed:
        kind, pk = event.about
        model = apps.all_models["jobs"].get(kind)
        subjects[event.pk] = (model, pk)
        if model is not None and pk and model is not Job:
            wanted[model].add(pk)
    names = {
        model: {row.pk: _named(row) for row in _rows(model, keys)} for model, keys in wanted.items()
    }
    for event in listed:
        model, row = subjects[event.pk]
        called = names.get(model, {}).get(row, "") if model else ""
        if model is None:
            model = _OF_CODE.get(event.code.partition(".")[0])
        event.sentence = _sentence(event, model, called)
    return listed


WORDED: Final = {
    "channelsetting": (kept("%(channel)s in %(record)s"), ("channel", "record")),
    "checkin": (kept("Check-in of %(job)s"), ("job",)),
    "enteredsetting": (kept("%(what)s of %(channel)s"), ("what", "channel")),
    "factorysum": (kept("%(first)s with %(second)s"), ("first", "second")),
    "faultcodes": (kept("Fault codes of %(job)s"), ("job",)),
    "powerrun": (kept("%(label)s %(from_node)s to %(to_node)s"), ("label", "from_node", "to_node")),
    "seatdistance": (kept("%(speaker_label)s to %(seat)s"), ("speaker.label", "seat")),
    "supplyfacts": (kept("Supply of %(job)s"), ("job",)),
}
"""Rows of which the name has words of ours, by model: the name, and where its places come from."""


def _named(row: models.Model) -> str:
    """What a row is called, as it is said now."""
    pattern, places = WORDED.get(row._meta.model_name or "", ("", ()))
    if not pattern:
        return str(row)
    return gettext(pattern) % {
        one.replace(".", "_"): told_now(attrgetter(one)(row)) for one in places
    }


def _rows(model: type[models.Model], keys: set[int]) -> models.QuerySet[Any]:
    rows = model._default_manager.filter(pk__in=keys)
    related = {
        "channel": ("part",),
        "channelsetting": ("record", "channel__part"),
        "enteredsetting": ("channel__part",),
        "partsupply": ("part",),
        "jobpart": ("product",),
    }.get(model._meta.model_name or "")
    return rows.select_related(*related) if related else rows


def history_of(job: Job, *, whole: bool = False) -> list[JobEvent]:
    """The events of a job, the newest first, each with its sentence: the milestones or all."""
    events = job.events.select_related("actor")
    if not whole:
        story = Q()
        for begins in MILESTONES:
            story |= Q(code__startswith=begins)
        events = events.filter(story)
    return told(events)
