"""The pages of a file on its way into the book: match its columns, look through its rows.

A file is read once and waits, bound to who brought it.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import msgspec
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext

from shop.catalogue.import_forms import FileColumns, UploadForm
from shop.catalogue.spreadsheets import Table
from shop.http import Request
from shop.import_plan import Choice, ImportPlan, ImportRefused, State, choices_of
from shop.models import CatalogueUpload

MOST_SHOWN: Final = 200
MOST_WAITING: Final = 3

Write = Callable[[CatalogueUpload, Mapping[int, Choice], str], tuple[int, int]]
"""Writes an upload with the choices made, of which a digest was shown: how many records are added,
how many changed. Raises ImportRefused."""


@dataclass(frozen=True)
class Words:
    """How the rows of a kind of file are spoken of; `update` has `{}` for the record."""

    alike: str
    another: str
    update: str
    stand: str
    back: str


@dataclass(frozen=True)
class FilePages:
    """The pages of one kind of file, by the names of their addresses."""

    what: str
    start: str
    mapping: str
    preview: str
    apply: str
    back: str
    words: Words
    page: str
    """The page of one record."""

    plan: Callable[..., ImportPlan[Any]]
    """What an upload would do, with the choices made."""

    may_leave_wrong: bool = False
    """The rows that are wrong can be left out, and the others imported."""

    def waiting(self, request: Request) -> Any:
        """The newest files that this person has not imported yet."""
        mine = CatalogueUpload.objects.of(request.user, self.what)
        return mine.order_by("-uploaded_at")[:MOST_WAITING]

    def keep(self, request: Request, form: UploadForm, **more: Any) -> CatalogueUpload:
        """Keep the file that was chosen until it is imported."""
        CatalogueUpload.objects.expired().delete()
        return CatalogueUpload.objects.create(
            by=request.user,
            what=self.what,
            file_name=form.cleaned_data["file"].name[:120],
            sheet=msgspec.to_builtins(form.sheet),
            **more,
        )

    def upload(self, request: Request, pk: int) -> CatalogueUpload | None:
        """A file of this person that waits."""
        return CatalogueUpload.objects.of(request.user, self.what).filter(pk=pk).first()

    def gone(self, request: Request) -> HttpResponse:
        """To where a file is chosen, and why."""
        messages.warning(
            request,
            gettext(
                "That file is here no more: it is imported already, older than a day, or "
                "somebody else's. Choose it again."
            ),
        )
        return redirect(self.start)

    def map(self, request: Request, pk: int, form_class: type[FileColumns]) -> HttpResponse:
        """Say what each column stands for."""
        upload = self.upload(request, pk)
        if upload is None:
            return self.gone(request)
        sheet = msgspec.convert(upload.sheet, Table)
        posted = request.method == "POST"
        form = form_class(request.POST if posted else None, upload=upload, sheet=sheet)
        if posted and form.is_valid():
            form.save(upload)
            return redirect(self.preview, upload.pk)
        context = {
            "form": form,
            "upload": upload,
            "count": len(sheet.rows),
            "back_url": reverse(self.start),
        }
        return render(request, "files/import_map.html", context, status=422 if posted else 200)

    def look_through(self, request: Request, pk: int) -> HttpResponse:
        """What the file would do; nothing is written."""
        upload = self.upload(request, pk)
        return self.gone(request) if upload is None else self._look(request, upload, {})

    def bring_in(self, request: Request, pk: int, write: Write, said: str) -> HttpResponse:
        """Write the whole file as it was shown, or nothing. `said` is the message afterwards, with
        `{file}`, `{added}` and `{changed}`."""
        upload = self.upload(request, pk)
        if upload is None:
            return self.gone(request)
        choices = choices_of(request.POST)
        try:
            added, changed = write(upload, choices, request.POST.get("digest", ""))
        except ImportRefused as refused:
            return self._look(request, upload, choices, str(refused))
        messages.success(request, said.format(file=upload.file_name, added=added, changed=changed))
        return redirect(self.back)

    def _look(
        self,
        request: Request,
        upload: CatalogueUpload,
        choices: Mapping[int, Choice],
        refused: str = "",
    ) -> HttpResponse:
        """What the file would do, row by row."""
        plan = self.plan(upload, choices)
        sections = [
            (state, title, icon, plan.of(state)[:MOST_SHOWN], plan.counts[state])
            for state, title, icon in (
                (State.WRONG, "Wrong: mend these first", "stop"),
                (State.ALIKE, self.words.alike, "caution"),
                (State.CHANGED, "Changed", "edit"),
                (State.NEW, "New", "plus"),
                (State.SAME, "The same already", "done"),
            )
            if plan.counts[state]
        ]
        for row in plan.of(State.ALIKE):
            row.alike_url = reverse(self.page, args=[row.alike.pk])
            row.update_label = self.words.update.format(row.alike)
        context = {
            "upload": upload,
            "sections": sections,
            "wrong": plan.counts[State.WRONG],
            "alike": plan.counts[State.ALIKE],
            "writes": plan.writes,
            "total": len(plan.outcomes),
            "digest": plan.digest,
            "refused": refused,
            "words": self.words,
            "may_leave_wrong": self.may_leave_wrong and plan.counts[State.WRONG],
            "leave_wrong": request.POST.get("without_wrong") == "on",
            "start_url": reverse(self.start),
            "map_url": reverse(self.mapping, args=[upload.pk]),
            "apply_url": reverse(self.apply, args=[upload.pk]),
            "list_url": reverse(self.back),
        }
        status = 409 if refused else 200
        return render(request, "files/import_preview.html", context, status=status)
