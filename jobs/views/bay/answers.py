"""How the bay sheet answers: rows that saved or did not, things done with a way back, pages."""

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple, Protocol

from django import forms
from django.contrib import messages
from django.core.exceptions import ObjectDoesNotExist
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.template.loader import render_to_string
from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.forms.bay.cells import Cleaned, clean
from jobs.models import Job, JobEvent
from jobs.services.saving import FieldClash, Saved
from jobs.views.bay import parts
from jobs.views.bay.bay_sheet import SECTIONS, BaySheet, actor
from shop.http import Request
from shop.models import StaffMember
from shop.typed import row_version, token


class Save(Protocol):
    """Saves clean values of a row."""

    def __call__(
        self, changes: dict[str, Any], /, *, actor: StaffMember, version: int, key: str
    ) -> Saved: ...


Draw = Callable[[BaySheet, Any, Cleaned, list[FieldClash]], str]
"""Makes the row's partial."""


def page(request: Request, sheet: BaySheet, template: str, /, **context: Any) -> HttpResponse:
    """A section of the sheet as a whole page; `context` may hold `shows` for `page_context`."""
    return render(request, template, page_context(sheet, **context))


def dialog(
    request: Request, sheet: BaySheet, template: str, context: dict[str, Any], status: int = 200
) -> HttpResponse:
    """Something opened over the section; without htmx it is a page of its own."""
    if request.htmx:
        shown = {"sheet": sheet, **context, "body": template}
        return render(request, "bay/dialog.html", shown, status=status)
    answer = page(request, sheet, "bay/dialog_page.html", body=template, **context)
    answer.status_code = status
    return answer


def page_context(sheet: BaySheet, /, shows: tuple[str, ...] = (), **context: Any) -> dict[str, Any]:
    """What every section shows. `shows` names the parts that follow saves, beyond the usual."""
    job = sheet.job
    return {
        "sheet": sheet,
        "job": job,
        "tabs": [
            (section, sheet.url(section.url_name), parts.tab_count_html(sheet, section.id))
            for section in SECTIONS
        ],
        "seen": parts.seen_html(sheet, ("panel", "tabs", *shows)),
        "panel": parts.panel_context(sheet),
        "send_backs": list(job.send_backs.select_related("by", "done_by")),
        "moves": sheet.moves,
        **context,
    }


def version_of(request: Request) -> int:
    return row_version(request.POST.get("version"))


def save_cells(
    request: Request,
    number: int,
    section: str,
    fields: Mapping[str, forms.Field],
    save: Save,
    draw: Draw,
    read: Callable[[], Any],
) -> HttpResponse:
    """Save the posted cells of a row and answer with the row and what followed from it.

    Good cells are saved also where another of the same post is bad or clashes. `draw` makes the
    row's partial from (sheet, row, cleaned, clashes); `read` gives the row when nothing was
    saved. Status 200, 409 with a clash, 422 with a bad value, 403 when the sheet is closed.
    """
    try:
        put = put_cells(request, fields, save, read)
    except Refused as refused:
        return HttpResponse(said_html(" ".join(refused.reasons), "stop"), status=403)
    return drawn(request, number, section, put, draw)


class Put(NamedTuple):
    """What became of posted cells: the row as it stands now, and the job where it was saved."""

    row: Any
    job: Job | None
    cleaned: Cleaned
    clashes: list[FieldClash]


def put_cells(
    request: Request, fields: Mapping[str, forms.Field], save: Save, read: Callable[[], Any]
) -> Put:
    """Save the posted cells of a row, the good ones of them. Raises Refused, and Http404 where the
    row is gone."""
    cleaned = clean(fields, request.POST)
    made_on, key, who = version_of(request), token(request.POST.get("key")), actor(request)
    try:
        if not cleaned.changes:
            return Put(read(), None, cleaned, [])
        saved = save(cleaned.changes, actor=who, version=made_on, key=key)
        clashes = saved.clashes
        rest = {
            name: value
            for name, value in cleaned.changes.items()
            if name not in {clash.field for clash in clashes}
        }
        if clashes and rest:
            own_key = f"{key}-rest" if key else ""
            saved = save(rest, actor=who, version=made_on, key=own_key)
    except ObjectDoesNotExist:
        raise Http404(gettext("That row is no longer there.")) from None
    return Put(saved.row, saved.job, cleaned, clashes)


def drawn(request: Request, number: int, section: str, put: Put, draw: Draw) -> HttpResponse:
    """Answer with the row and what followed from it."""
    sheet = (
        BaySheet.of(request, number, section)
        if put.job is None
        else BaySheet.holding(request, put.job, section)
    )
    html = draw(sheet, put.row, put.cleaned, put.clashes)
    html += parts.changed(sheet, request.POST.get("seen", ""))
    status = 409 if put.clashes else 422 if put.cleaned.errors else 200
    return HttpResponse(html, status=status)


def said_html(text: str, level: str = "done", undo_url: str = "") -> str:
    """A line at the foot of the sheet, out of band, with a way back where there is one."""
    return render_to_string("bay/notice.html", {"text": text, "level": level, "undo_url": undo_url})


def done(
    request: Request,
    number: int,
    section: str,
    text: str,
    *,
    event: JobEvent | None = None,
    html: str = "",
    to: str = "",
) -> HttpResponse:
    """Answer to something done by a tap: what changed, and the words with a way back.

    `html` is what the target gets, out-of-band elements included. Without htmx the browser is
    sent back to the section (or `to`).
    """
    sheet = BaySheet.of(request, number, section)
    back = to or sheet.url(f"bay_{section}")
    if not request.htmx:
        return redirect(back)
    undo_url = sheet.url("bay_undo", event.pk) if event is not None else ""
    html += parts.changed(sheet, request.POST.get("seen", ""))
    answer = HttpResponse(html + said_html(text, "done", undo_url))
    answer["HX-Trigger"] = "cells:saved"
    return answer


def refused(
    request: Request, number: int, section: str, why: Refused, *, to: str = ""
) -> HttpResponse:
    """Answer to something that could not be done: the reasons, nothing else changes."""
    text = " ".join(why.reasons)
    if not request.htmx:
        messages.error(request, text)
        return redirect(to or BaySheet.of(request, number, section).url(f"bay_{section}"))
    answer = HttpResponse(said_html(text, "stop"), status=422)
    answer["HX-Reswap"] = "none"
    return answer


def reload(request: Request, to: str) -> HttpResponse:
    """Go to a page: a redirect, which htmx follows as a whole page too."""
    if request.htmx:
        return HttpResponse(status=204, headers={"HX-Redirect": to})
    return redirect(to)
