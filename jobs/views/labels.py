"""Printing a job's labels: which, how many, on which sheet, from which place on it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils.translation import gettext

from jobs import wording
from jobs.labels.content import KINDS, MOST_COPIES, MOST_LABELS, Label, labels_of
from jobs.labels.render import FLAG, STYLES, labels_pdf, too_large
from jobs.models import Job
from shop.access import allow_any_staff
from shop.http import Request, sentences
from shop.models import LabelSheet
from shop.series import code_of
from shop.typed import whole


@dataclass
class Choice:
    """What is to be printed: read from the address, so it can be printed again."""

    job: Job
    sheets: list[LabelSheet]
    sheet: LabelSheet | None
    style: str
    start: int
    outlines: bool
    counts: dict[str, int]
    labels: list[Label]
    said: list[str] = field(default_factory=list)

    @property
    def chosen(self) -> list[Label]:
        """The labels in printing order, each as often as wanted."""
        return [label for label in self.labels for _ in range(self.counts[label.id])]

    @property
    def pages(self) -> int:
        wanted = sum(self.counts.values())
        return -(-(self.start - 1 + wanted) // self.sheet.per_page) if self.sheet and wanted else 0


def _number(text: str | None, low: int, high: int, usual: int) -> int:
    number = whole(text)
    return usual if number is None else min(max(number, low), high)


def _choice(request: Request, number: int) -> Choice:
    job = get_object_or_404(Job.objects.with_names(), number=number)
    asked: Mapping[str, str] = request.GET
    labels = labels_of(job, request.build_absolute_uri(reverse("job", args=[number])))
    sheets = list(LabelSheet.objects.filter(active=True))
    sheet = next((one for one in sheets if str(one.pk) == asked.get("sheet")), None)
    sheet = sheet or (sheets[0] if sheets else None)
    counts = {
        label.id: _number(asked.get(f"n-{label.id}", ""), 0, MOST_COPIES, label.copies)
        for label in labels
    }
    style = asked.get("style", FLAG)
    choice = Choice(
        job,
        sheets,
        sheet,
        style if style in STYLES else FLAG,
        _number(asked.get("start", ""), 1, sheet.per_page if sheet else 1, 1),
        asked.get("outlines") == "on",
        counts,
        labels,
    )
    _examine(choice)
    return choice


def _examine(choice: Choice) -> None:
    """Say what stands against printing."""
    chosen = choice.chosen
    if choice.sheet is None:
        choice.said.append("There is no label sheet in use. A manager adds one under Shop.")
        return
    if not chosen:
        choice.said.append("No label is chosen: say how many of each are wanted.")
    if len(chosen) > MOST_LABELS:
        choice.said.append(f"At most {MOST_LABELS} labels at once: print them in parts.")
    wanted = [label for label in choice.labels if choice.counts[label.id]]
    if small := too_large(wanted, choice.sheet, choice.style):
        names = wording.listed(label.lines[0].text for label in small)
        choice.said.append(
            f"The labels of “{choice.sheet}” are too small for {names}: nothing is cut off, so "
            "choose larger labels, sleeves in place of flags, or none of these."
        )


@allow_any_staff
def labels(request: Request, number: int) -> HttpResponse:
    """Choose what is printed; the answer to a change is the sheet with what it will hold."""
    choice = _choice(request, number)
    sheet = choice.sheet
    taken = len(choice.chosen)
    context: dict[str, Any] = {
        "choice": choice,
        "job": choice.job,
        "taken": taken,
        "styles": STYLES.items(),
        "groups": [
            (kind, title, [(one, choice.counts[one.id]) for one in of_kind])
            for kind, title in KINDS.items()
            if (of_kind := [one for one in choice.labels if one.kind == kind])
        ],
        "grid": _grid(sheet, choice.start, taken) if sheet else [],
    }
    partial = request.htmx
    return render(request, "labels/plan.html" if partial else "labels/page.html", context)


def _grid(sheet: LabelSheet, start: int, taken: int) -> list[list[tuple[int, str]]]:
    """The places of the first page: number and "skipped", "used" or "free"."""
    return [
        [
            (at, "skipped" if at < start else "used" if at < start + taken else "free")
            for at in range(row * sheet.columns + 1, (row + 1) * sheet.columns + 1)
        ]
        for row in range(sheet.rows)
    ]


@allow_any_staff
def labels_file(request: Request, number: int) -> HttpResponse:
    """The chosen labels as PDF."""
    choice = _choice(request, number)
    if choice.said or choice.sheet is None:
        return sentences(choice.said, 422)
    pdf = labels_pdf(
        choice.chosen,
        choice.sheet,
        style=choice.style,
        start=choice.start,
        outlines=choice.outlines,
        title=gettext("Labels of %(job)s") % {"job": choice.job},
    )
    response = HttpResponse(pdf, content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="{code_of(number)}-labels.pdf"'
    response["Cache-Control"] = "private, no-store"
    return response
