"""Delays: tap the seat, type the distances, see what they ask for, put it in."""

from functools import partial
from typing import Any

from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.template.loader import render_to_string
from django.utils.translation import gettext
from django.views.decorators.http import require_POST, require_safe

from jobs.errors import Refused
from jobs.forms.bay.cells import Cleaned
from jobs.forms.tuning.cells import distance_fields, seat_fields, tape_unit
from jobs.models import Job, JobSpeaker, ListeningSeat, SeatDistance, SeatPlace
from jobs.services.saving import FieldClash
from jobs.services.tuning import seats as service
from jobs.services.tuning.facts import facts_of
from jobs.views.bay import answers
from jobs.views.bay.bay_sheet import BaySheet, actor
from jobs.views.bay.channel_rows import speaker_words
from jobs.views.bay.rows import cell_row
from jobs.views.tuning.common import show
from jobs.views.tuning.facts import facts_html
from shop.access import allow, allow_any_staff
from shop.http import Request
from shop.roles import BENCH
from shop.typed import token
from shop.units import METRES_PER_INCH

THREE_ROWS = frozenset({"estate", "suv", "van"})
"""Bodies that may have a third row of seats."""


def seat_html(
    sheet: BaySheet,
    seat: ListeningSeat,
    cleaned: Cleaned | None = None,
    clashes: list[FieldClash] | None = None,
) -> str:
    """How much a seat counts, as a cell of its own."""
    row = cell_row(seat, seat_fields(), cleaned, clashes or [], str(seat))
    return render_to_string("tuning/seat.html", {"sheet": sheet, "seat": seat, "row": row})


def distance_html(
    sheet: BaySheet,
    seat: ListeningSeat,
    speaker: JobSpeaker,
    distance: SeatDistance | None,
    cleaned: Cleaned | None = None,
    clashes: list[FieldClash] | None = None,
) -> str:
    """The way from one speaker to one seat, as a cell of its own."""
    held = distance if distance is not None else SeatDistance(version=0)
    name = f"{speaker.label} to {seat}"
    row = cell_row(held, distance_fields(sheet.shop), cleaned, clashes or [], name)
    context = {"sheet": sheet, "seat": seat, "speaker": speaker, "row": row}
    return render_to_string("tuning/distance.html", context)


def _grid(sheet: BaySheet, seats: list[ListeningSeat]) -> list[dict[str, Any]]:
    plan = {one.id: one for one in sheet.plan.speakers}
    distances = {
        (one.seat_id, one.speaker_id): one
        for one in SeatDistance.objects.filter(seat__job=sheet.job)
    }
    return [
        {
            "speaker": speaker,
            "words": speaker_words(plan[speaker.label]),
            "cells": [
                distance_html(sheet, seat, speaker, distances.get((seat.pk, speaker.pk)))
                for seat in seats
            ],
        }
        for speaker in sheet.job.speakers.all()
    ]


def _results(sheet: BaySheet) -> dict[str, Any]:
    delays = service.delays_for(sheet.job, sheet.plan)
    us = tape_unit(sheet.shop) == "in"
    return {
        "sheet": sheet,
        "found": delays,
        "air": facts_of(sheet.job).air_c,
        "unit": "in" if us else "cm",
        "per_cm": 0.01 / METRES_PER_INCH if us else 1.0,
        "to_set": sum(line.differs for line in delays.lines),
    }


def _body(sheet: BaySheet) -> dict[str, Any]:
    rows = list(sheet.job.seats.prefetch_related("distances"))
    seats = {seat.place: seat for seat in rows}
    used = [seat for seat in rows if seat.used]
    shape = sheet.job.vehicle.vehicle_model.body_shape
    return {
        "sheet": sheet,
        "seats": [
            {"place": place, "label": label, "used": place in seats and seats[place].used}
            for place, label in SeatPlace.choices
            if place in seats or not place.startswith("third") or shape in THREE_ROWS
        ],
        "used": used,
        "weights": [seat_html(sheet, seat) for seat in used] if len(used) > 1 else [],
        "grid": _grid(sheet, used),
        "unit": tape_unit(sheet.shop),
        "outline": f"cars/{shape}.html",
        "air": facts_html(sheet, "air"),
        "results": _results(sheet),
    }


@allow_any_staff
@require_safe
def delays(request: Request, number: int) -> HttpResponse:
    """Seats, distances and the delays they ask for."""
    sheet = BaySheet.of(request, number, "tuning")
    return show(request, sheet, "delays", "tuning/delays.html", **_without_sheet(_body(sheet)))


def _without_sheet(context: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in context.items() if name != "sheet"}


@allow_any_staff
@require_safe
def results(request: Request, number: int) -> HttpResponse:
    """The delays the distances ask for now: asked for again after each save."""
    sheet = BaySheet.of(request, number, "tuning")
    return render(request, "tuning/delay_results.html", {"results": _results(sheet)})


@allow(*BENCH)
@require_POST
def tap_seat(request: Request, number: int, place: str) -> HttpResponse:
    """Listen from a seat, or no longer."""
    if place not in SeatPlace.values:
        raise Http404(gettext("There is no such seat."))
    get_object_or_404(Job, number=number)
    try:
        service.tap_seat(number, place, actor=actor(request), key=token(request.POST.get("key")))
    except Refused as refused:
        return answers.refused(request, number, "tuning", refused)
    sheet = BaySheet.of(request, number, "tuning")
    if not request.htmx:
        return answers.reload(request, sheet.url("bay_delays"))
    return HttpResponse(render_to_string("tuning/delays_body.html", _body(sheet), request))


@allow(*BENCH)
@require_POST
def save_seat(request: Request, number: int, pk: int) -> HttpResponse:
    """Save how much a seat counts."""

    def read() -> ListeningSeat:
        return ListeningSeat.objects.get(pk=pk, job__number=number)

    return answers.save_cells(
        request,
        number,
        "tuning",
        seat_fields(),
        partial(service.save_weight, number, pk),
        seat_html,
        read,
    )


@allow(*BENCH)
@require_POST
def save_distance(request: Request, number: int, pk: int, speaker: int) -> HttpResponse:
    """Save the way from a speaker to a seat."""

    def read() -> SeatDistance:
        seat = ListeningSeat.objects.get(pk=pk, job__number=number)
        held = SeatDistance.objects.filter(seat=seat, speaker=speaker).first()
        return held or SeatDistance(
            seat=seat, speaker=JobSpeaker.objects.get(pk=speaker, job__number=number), version=0
        )

    def draw(
        sheet: BaySheet, row: SeatDistance, cleaned: Cleaned, clashes: list[FieldClash]
    ) -> str:
        return distance_html(sheet, row.seat, row.speaker, row, cleaned, clashes)

    fields = distance_fields(request.shop)
    return answers.save_cells(
        request,
        number,
        "tuning",
        fields,
        partial(service.save_distance, number, pk, speaker),
        draw,
        read,
    )


@allow(*BENCH)
@require_POST
def put_in(request: Request, number: int) -> HttpResponse:
    """Put the delays into the after record: one change, which can be undone."""
    sheet = BaySheet.of(request, number, "tuning")
    back = sheet.url("bay_delays")
    try:
        event = service.put_delays_in(
            number, sheet.plan, actor=actor(request), key=token(request.POST.get("key"))
        )
    except Refused as refused:
        return answers.refused(request, number, "tuning", refused, to=back)
    said = gettext("Delays put into the after settings: %(channels)s.")
    text = said % {"channels": event.after["channels"]}
    return answers.done(request, number, "tuning", text, event=event, to=back)
