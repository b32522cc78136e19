"""What somebody else changed on a sheet since a page last asked: rows, or "the page as a whole".

A page asks with the newest event it knows. The usual answer is 204 after one indexed query. When
others only changed rows that the page shows, the answer is those rows; anything else (rows added
or taken away, the stage, notes) answers that the page is to be read again.
"""

from collections.abc import Callable
from datetime import timedelta
from typing import Final
from urllib.parse import quote

from django.http import HttpResponse
from django.views.decorators.http import require_safe

from jobs.forms.bay.fields import nodes_of, run_fields
from jobs.models import AdapterWire, Channel, ChannelSetting, JobEvent, TuningKind
from jobs.services.saving import CLASH, device_of
from jobs.views.bay import parts
from jobs.views.bay.adapters import adapter_html
from jobs.views.bay.bay_sheet import SECTIONS, BaySheet
from jobs.views.bay.channel_rows import cable_html, settings_html, speakers_html, wires_html
from jobs.views.bay.channels import channels_of, inputs_of
from jobs.views.bay.checks import function_html, progress_html, reading_html
from jobs.views.bay.fit import fit_rows, mounted_of, part_html, sources_of
from jobs.views.bay.panels import panel_html
from jobs.views.bay.power_rows import run_html, supply_html
from jobs.views.bay.steps import list_of, row_html as step_html
from jobs.views.bay.tuning import other_html
from shop.access import allow_any_staff
from shop.http import Request
from shop.typed import one_of, whole

SINCE: Final = "Loombook-Since"
"""Header of every answer: the newest event the page knows from now on."""

WHOLE: Final = "Loombook-Whole"
"""Header of an answer without rows: the page is to be read again."""

BY: Final = "Loombook-By"
"""Header of an answer with changes: who made them, percent-encoded."""

Draw = Callable[[BaySheet, set[int], str], list[str]]
"""Draws the rows with these keys: (sheet, keys, columns shown)."""


def _functions(sheet: BaySheet, keys: set[int], show: str) -> list[str]:
    checks = list(sheet.job.function_checks.select_related("before_by", "after_by"))
    rows = [function_html(sheet, one, sheet.section) for one in checks if one.pk in keys]
    return [*rows, progress_html(sheet.section, checks, oob=True)]


def _readings(sheet: BaySheet, keys: set[int], show: str) -> list[str]:
    rows = sheet.job.readings.filter(pk__in=keys).select_related("before_by", "after_by")
    return [reading_html(sheet, row, sheet.section) for row in rows]


def _channels(sheet: BaySheet, keys: set[int], show: str) -> list[str]:
    rows = [row for row in channels_of(sheet.job) if row.pk in keys]
    if show == "wires":
        return [wires_html(sheet, row) for row in rows]
    if show == "cables":
        return [cable_html(sheet, row) for row in rows if row.kind == Channel.Kind.AMPLIFIER]
    if show == "settings":
        return []
    inputs = inputs_of(sheet.job)
    return [speakers_html(sheet, row, inputs) for row in rows]


def _settings(sheet: BaySheet, keys: set[int], show: str) -> list[str]:
    paired = sheet.section == "tuning"
    if not paired and show != "settings":
        return []
    kinds = [TuningKind.BEFORE, TuningKind.AFTER] if paired else [TuningKind.AFTER]
    settings = ChannelSetting.objects.filter(
        pk__in=keys, record__job=sheet.job, record__kind__in=kinds
    ).select_related("record", "channel__part__product")
    return [
        settings_html(sheet, row.channel, row.record.kind, row, paired=paired) for row in settings
    ]


def _parts(sheet: BaySheet, keys: set[int], show: str) -> list[str]:
    sources = sources_of(sheet.job)
    if sheet.section == "fit":
        return fit_rows(sheet, [one for one in mounted_of(sheet.job) if one.pk in keys], sources)
    template = "bay/turn_on_row.html"
    if sheet.section == "channels" and show not in {"", "speakers"}:
        return []
    return [part_html(sheet, one, sources, template=template) for one in sources if one.pk in keys]


def _adapters(sheet: BaySheet, keys: set[int], show: str) -> list[str]:
    if show != "wires":
        return []
    rows = AdapterWire.objects.filter(pk__in=keys, adapter__job=sheet.job)
    return [adapter_html(sheet, one) for one in rows.select_related("adapter")]


def _panels(sheet: BaySheet, keys: set[int], show: str) -> list[str]:
    return [panel_html(sheet, one) for one in sheet.job.panels.filter(pk__in=keys)]


def _runs(sheet: BaySheet, keys: set[int], show: str) -> list[str]:
    fields = run_fields(sheet.shop, nodes_of(sheet.plan))
    rows = sheet.job.runs.filter(pk__in=keys)
    return [run_html(sheet, row, fields, show or "path") for row in rows]


def _supply(sheet: BaySheet, keys: set[int], show: str) -> list[str]:
    facts = getattr(sheet.job, "supply", None)
    return [supply_html(sheet, facts)] if facts is not None else []


def _others(sheet: BaySheet, keys: set[int], show: str) -> list[str]:
    return [other_html(sheet, row) for row in sheet.job.other_settings.filter(pk__in=keys)]


def _on_its_own_page(sheet: BaySheet, keys: set[int], show: str) -> list[str]:
    """The first page of the section shows none of them; another page is read as a whole."""
    return []


def _steps(sheet: BaySheet, keys: set[int], show: str) -> list[str]:
    """Every step: one that is done opens the next."""
    return [step_html(sheet, line) for line in list_of(sheet).lines]


ROWS: Final[dict[str, dict[str, Draw]]] = {
    "steps": {"jobstep": _steps},
    "fit": {"panel": _panels, "jobpart": _parts},
    "before": {"functioncheck": _functions, "reading": _readings},
    "channels": {
        "adapterwire": _adapters,
        "channel": _channels,
        "channelsetting": _settings,
        "jobpart": _parts,
    },
    "power": {"powerrun": _runs, "supplyfacts": _supply},
    "tuning": {
        "channelsetting": _settings,
        "othersetting": _others,
        "enteredsetting": _on_its_own_page,
    },
    "after": {"functioncheck": _functions, "reading": _readings},
}
"""Rows that each section shows, by the model that an event's subject names, in the order in which
they are sent: rows of tables first."""

_ELSEWHERE: Final = {
    CLASH: "",
    "functions.group_works": "",
    "photo.added": "steps",
    "photo.removed": "steps",
    "photo.put_back": "steps",
    "note.added": "notes",
    "finding.reason": "findings",
}
"""Events that change no row, and the one section that shows them."""

_ALL_OF_IT: Final = {
    "steps": {"reading", "powerrun"},
    "channels": {"jobspeaker"},
    "before": {"faultcodes"},
    "after": {"faultcodes"},
}
"""Models whose rows a section shows in its own way."""


def _rows_of(section: str, events: list[JobEvent], own_page: bool) -> dict[str, set[int]] | None:
    """Keys of the changed rows by model; None when the page is to be read as a whole."""
    keys: dict[str, set[int]] = {}
    for event in events:
        if event.code in _ELSEWHERE:
            if _ELSEWHERE[event.code] == section:
                return None
            continue
        model, pk = event.about
        changed_a_row = "version" in event.after and pk
        if not changed_a_row or section == "findings" or model in _ALL_OF_IT.get(section, ()):
            return None
        if model in ROWS.get(section, {}):
            if not own_page:
                return None
            keys.setdefault(model, set()).add(pk)
    return keys


@allow_any_staff
@require_safe
def changes(request: Request, number: int) -> HttpResponse:
    """204 when nothing is new; else the rows that others changed, or that all is to be read.

    `since` is the newest event the page knows, `device` whose own saves it need not be told of,
    `section`, `show` and `page` what it shows, `seen` its parts.
    """
    asked = request.GET
    since = whole(asked.get("since")) or 0
    known = JobEvent.objects.filter(job__number=number, pk__gt=since).select_related("actor")
    events = list(known.order_by("pk"))
    device = asked.get("device", "")
    others = _of_others(events, request.user.pk, device) if device else events
    newest = events[-1].pk if events else since
    if not others:
        return HttpResponse(status=204, headers={SINCE: str(newest)})
    section = one_of(asked.get("section"), [known.id for known in SECTIONS])
    sheet = BaySheet.of(request, number, section)
    own_page = asked.get("page", "") in {sheet.url(f"bay_{section}") if section else "", ""}
    rows = _rows_of(section, others, own_page)
    by = _people(others, request.user.pk)
    if rows is None:
        return HttpResponse(headers={SINCE: str(newest), WHOLE: "1", BY: by})
    html = [
        row
        for model, draw in ROWS.get(section, {}).items()
        if model in rows
        for row in draw(sheet, rows[model], asked.get("show", ""))
    ]
    html.append(parts.changed(sheet, asked.get("seen", "")))
    return HttpResponse("".join(html), headers={SINCE: str(newest), BY: by})


_ONE_SAVE: Final = timedelta(seconds=2)
"""Events of one save are written within less than this."""


def _of_others(events: list[JobEvent], person: int, device: str) -> list[JobEvent]:
    """The events that this person did not make on this device.

    What follows from a save carries no key: it belongs to the person's own save beside it.
    """
    own = [one for one in events if one.actor_id == person and device_of(one.key) == device]
    saved = [one.at for one in own]
    followed = {
        one.pk
        for one in events
        if one.actor_id == person
        and not one.key
        and any(abs(one.at - at) <= _ONE_SAVE for at in saved)
    }
    mine = {one.pk for one in own} | followed
    return [one for one in events if one.pk not in mine]


def _people(events: list[JobEvent], person: int) -> str:
    """Who made the changes; the person who asks is told of their own from elsewhere as "You"."""
    names = (
        "You, elsewhere," if event.actor_id == person else str(event.actor) for event in events
    )
    return quote(", ".join(dict.fromkeys(names)))
