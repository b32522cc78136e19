"""Levels: target voltages, and a guide through the work one step at a time."""

from typing import Any

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils.translation import gettext
from django.views.decorators.http import require_POST, require_safe

from jobs.forms.bay.cells import Cleaned
from jobs.forms.tuning.cells import level_fields
from jobs.models import Reading, ReadingKind
from jobs.plan.tuning import LevelGuide, WiringError, gain_chains, guide
from jobs.services.saving import FieldClash, Saved
from jobs.services.tuning import levels as service
from jobs.services.tuning.facts import facts_of
from jobs.views.bay import answers
from jobs.views.bay.bay_sheet import BaySheet
from jobs.views.bay.rows import cell_row
from jobs.views.tuning.common import show
from jobs.views.tuning.facts import facts_html
from shop.access import allow, allow_any_staff
from shop.http import Request
from shop.roles import BENCH
from shop.typed import whole


class Levels:
    """The guide of one sheet with the readings it rests on, worked out once."""

    def __init__(self, sheet: BaySheet) -> None:
        facts = facts_of(sheet.job)
        self.sheet = sheet
        self.readings = service.level_readings(sheet.job)
        values = {key: row.after_value for key, row in self.readings.items() if row.after_value}
        self.trouble = ""
        self.guide: LevelGuide | None = None
        try:
            self.guide = guide(
                sheet.plan,
                facts.overlap_db,
                facts.tone_dbfs,
                {about: v for (kind, about), v in values.items() if kind == ReadingKind.SIGNAL},
                {about: v for (kind, about), v in values.items() if kind == ReadingKind.OUTPUT},
            )
        except WiringError as error:
            self.trouble = f"{error.reason[0].upper()}{error.reason[1:]}."

    @property
    def channels(self) -> dict[str, Any]:
        return {one.channel_id: one for one in self.guide.channels} if self.guide else {}

    @property
    def inputs(self) -> list[str]:
        """Devices whose input is measured, in the order of the plan."""
        wanted = {one.partition(".")[0] for one in self.channels}
        return [device.id for device in self.sheet.plan.devices if device.id in wanted]

    def row(
        self,
        kind: str,
        about: str,
        cleaned: Cleaned | None = None,
        clashes: list[FieldClash] | None = None,
    ) -> str:
        """A channel's output or a device's input with its reading, which saves itself."""
        reading = self.readings.get((kind, about)) or Reading(kind=kind, about=about, version=0)
        name = f"output of {about}" if kind == ReadingKind.OUTPUT else f"input of {about}"
        device = next((one for one in self.sheet.plan.devices if one.id == about), None)
        return render_to_string(
            f"tuning/level_{kind}.html",
            {
                "sheet": self.sheet,
                "about": about,
                "kind": kind,
                "reading": reading,
                "row": cell_row(reading, level_fields(), cleaned, clashes or [], name),
                "level": self.channels.get(about),
                "device": device,
                "first": next(
                    (
                        one
                        for one in self.channels.values()
                        if one.channel_id.startswith(f"{about}.")
                    ),
                    None,
                ),
            },
        )

    def rows_of(self, step: Any) -> tuple[str, list[str]]:
        """What is written down at a step: the kind of reading, and its rows."""
        if step.reading == "source_v":
            return ReadingKind.SIGNAL, [self.row(ReadingKind.SIGNAL, one) for one in self.inputs]
        if step.reading == "measured_v":
            rows = [self.row(ReadingKind.OUTPUT, one) for one in step.channel_ids]
            return ReadingKind.OUTPUT, rows
        return "", []

    def is_read(self, step: Any) -> bool:
        """Every reading of the step is taken."""
        if step.reading == "source_v":
            return all((ReadingKind.SIGNAL, one) in self.readings for one in self.inputs)
        if step.reading == "measured_v":
            return all((ReadingKind.OUTPUT, one) in self.readings for one in step.channel_ids)
        return False


def _step_context(levels: Levels, text: str) -> dict[str, Any]:
    guide = levels.guide
    steps = guide.steps if guide is not None else ()
    number = min(max(whole(text) or 1, 1), max(len(steps), 1))
    step = steps[number - 1] if steps else None
    kind, rows = levels.rows_of(step) if step is not None else ("", [])
    return {
        "sheet": levels.sheet,
        "step": step,
        "steps": [(one.number, levels.is_read(one), one.number == number) for one in steps],
        "count": len(steps),
        "reading_kind": kind,
        "reading_rows": rows,
        "before_it": number - 1,
        "after_it": number + 1 if number < len(steps) else 0,
    }


@allow_any_staff
@require_safe
def levels(request: Request, number: int) -> HttpResponse:
    """The guide, one step at a time, or every channel in a table."""
    sheet = BaySheet.of(request, number, "tuning")
    guided = Levels(sheet)
    table = request.GET.get("show") == "all"
    context = _step_context(guided, request.GET.get("step", ""))
    if request.htmx and not table:
        return render(request, "tuning/level_step.html", context)
    if table and guided.guide is not None:
        context["inputs"] = [guided.row(ReadingKind.SIGNAL, one) for one in guided.inputs]
        context["outputs"] = [guided.row(ReadingKind.OUTPUT, one) for one in guided.channels]
        context["unmatched"] = guided.guide.unmatched
        context["unrated"] = [one for one in guided.guide.channels if one.unrated]
        context["chains"] = list(gain_chains(sheet.plan).values())
    del context["sheet"]
    return show(
        request,
        sheet,
        "levels",
        "tuning/levels.html",
        whole=table,
        has_channels=bool(guided.channels),
        guide=guided.guide,
        trouble=guided.trouble,
        tone=facts_html(sheet, "tone"),
        channels_url=reverse("bay_channels", args=[number]),
        **context,
    )


@allow(*BENCH)
@require_POST
def save_level(request: Request, number: int, kind: str, about: str) -> HttpResponse:
    """Save a voltage of the guide as a reading of the job."""
    known = Levels(BaySheet.of(request, number))
    allowed = {"signal": known.inputs, "output": list(known.channels)}
    if about not in allowed.get(kind, ()):
        raise Http404(gettext("That channel is no longer in the plan."))

    def write(changes: dict[str, Any], **by: Any) -> Saved:
        if named := changes.get("after_instrument"):
            request.session["instrument"] = named
        return service.save_level(
            number,
            kind,
            about,
            changes,
            **by,
            instrument=request.session.get("instrument", ""),
        )

    def draw(sheet: BaySheet, row: Any, cleaned: Cleaned, clashes: list[FieldClash]) -> str:
        return Levels(sheet).row(kind, about, cleaned, clashes)

    def read() -> Reading:
        held = Reading.objects.filter(job__number=number, kind=kind, about=about).first()
        return held or Reading(kind=kind, about=about, version=0)

    return answers.save_cells(request, number, "tuning", level_fields(), write, draw, read)
