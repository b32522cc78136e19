"""Putting speakers in their places on the car picture, and channels on them."""

from functools import partial
from typing import Any

from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404
from django.template.loader import render_to_string
from django.utils.translation import gettext
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from jobs.errors import Refused
from jobs.forms.bay.add import PlaceForm
from jobs.forms.bay.cells import Cleaned
from jobs.forms.bay.fields import job_speaker_fields
from jobs.models import Channel, JobEvent, JobSpeaker
from jobs.models.channels import JOINING_CHOICES
from jobs.plan.passive import EXAMPLES
from jobs.plan.power import POSITIONS, counterpart, loads_to_choose
from jobs.services import channels as service, speaker_sets as sets
from jobs.services.saving import FieldClash
from jobs.views.bay import answers
from jobs.views.bay.bay_sheet import BaySheet, actor
from jobs.views.bay.channel_rows import speakers_html
from jobs.views.bay.channels import channels_of, inputs_of
from jobs.views.bay.rows import cell_row
from shop.access import allow, allow_any_staff
from shop.http import Request
from shop.kept_words import told
from shop.roles import BENCH
from shop.services.events import subject_of
from shop.typed import row_key, token


def target_of(request: Request, number: int) -> Channel | None:
    """The channel chosen in the grid, when it can take speakers."""
    pk = row_key(request.POST.get("target") or request.GET.get("target")) or 0
    return (
        Channel.objects.select_related("part")
        .filter(pk=pk, job__number=number, kind=Channel.Kind.AMPLIFIER)
        .first()
    )


@allow_any_staff
@require_http_methods(["GET", "HEAD", "POST"])
def place(request: Request, number: int, position: str) -> HttpResponse:
    """A position tapped: its one speaker goes on the chosen channel, else what is there opens."""
    if position not in POSITIONS:
        raise Http404(gettext("There is no such place on the picture."))
    sheet = BaySheet.of(request, number, "channels")
    there = list(sheet.job.speakers.filter(position=position).prefetch_related("channels__part"))
    target = target_of(request, number)
    if request.method == "POST" and sheet.can_edit and target is not None and len(there) == 1:
        already = any(channel.pk == target.pk for channel in there[0].channels.all())
        if not already:
            return _put_on(request, number, target.pk, there[0].pk)
    return _dialog(request, sheet, position, there, target)


def _dialog(
    request: Request,
    sheet: BaySheet,
    position: str,
    there: list[JobSpeaker],
    target: Channel | None,
    form: PlaceForm | None = None,
) -> HttpResponse:
    left = service.parts_left(sheet.job)
    context: dict[str, Any] = {
        "sheet": sheet,
        "position": position,
        "label": POSITIONS[position].label,
        "there": [(speaker, speaker_html(sheet, speaker, target)) for speaker in there],
        "target": target,
        "form": form or PlaceForm(left),
        "has_other_side": counterpart(position) is not None,
        "parts": left,
        "channels": [one for one in channels_of(sheet.job) if one.kind == "amplifier"],
        "adding": form is not None or not there,
        "passive_examples": EXAMPLES,
    }
    status = 422 if form is not None else 200
    return answers.dialog(request, sheet, "bay/place.html", context, status)


def speaker_html(
    sheet: BaySheet,
    speaker: JobSpeaker,
    target: Channel | None = None,
    cleaned: Cleaned | None = None,
    clashes: list[FieldClash] | None = None,
) -> str:
    """One speaker at a position: what is known of it, and what feeds it."""
    row = cell_row(speaker, job_speaker_fields(), cleaned, clashes or [], speaker.label)
    feeding = list(speaker.channels.select_related("part"))
    on_target = target is not None and any(one.pk == target.pk for one in feeding)
    return render_to_string(
        "bay/speaker.html",
        {
            "sheet": sheet,
            "speaker": speaker,
            "row": row,
            "feeding": feeding,
            "target": target,
            "on_target": on_target,
        },
    )


def _rows(sheet: BaySheet, keys: set[int]) -> str:
    """The rows of these channels, out of band."""
    inputs = inputs_of(sheet.job)
    return "".join(
        speakers_html(sheet, channel, inputs, oob=True)
        for channel in channels_of(sheet.job)
        if channel.pk in keys
    )


def done(
    request: Request, number: int, keys: set[int], text: str, event: JobEvent | None
) -> HttpResponse:
    """The rows that changed, the spots and findings that follow, and the way back."""
    sheet = BaySheet.of(request, number, "channels")
    html = _rows(sheet, keys) if request.htmx else ""
    return answers.done(request, number, "channels", text, event=event, html=html)


def _put_on(request: Request, number: int, pk: int, speaker_pk: int) -> HttpResponse:
    try:
        saved = service.put_on(
            number, pk, speaker_pk, actor=actor(request), key=token(request.POST.get("key"))
        )
    except Refused as refused:
        return answers.refused(request, number, "channels", refused)
    speaker = JobSpeaker.objects.get(pk=speaker_pk)
    facts = {"channel": saved.row, "speaker": told(str(speaker))}
    text = gettext("%(channel)s feeds %(speaker)s.") % facts
    return done(request, number, {pk}, text, _last(saved.row))


def _last(channel: Channel) -> JobEvent | None:
    return JobEvent.objects.filter(
        job_id=channel.job_id, code="channel.speakers", subject=subject_of(channel)
    ).first()


@allow(*BENCH)
@require_POST
def on_channel(request: Request, number: int, pk: int) -> HttpResponse:
    """Put a speaker on a channel (`speaker`), take one off (`off`), or ask for another place."""
    channel = get_object_or_404(Channel.objects.select_related("part"), pk=pk, job__number=number)
    chosen, off = request.POST.get("speaker", ""), request.POST.get("off", "")
    if chosen:
        speaker = get_object_or_404(JobSpeaker, pk=row_key(chosen), job__number=number)
        return _put_on(request, number, pk, speaker.pk)
    if off:
        gone = get_object_or_404(JobSpeaker, label=off, job__number=number)
        try:
            saved = service.take_off(number, pk, gone.pk, actor=actor(request))
        except Refused as refused:
            return answers.refused(request, number, "channels", refused)
        text = gettext("Taken off %(channel)s.") % {"channel": channel}
        return done(request, number, {pk}, text, _last(saved.row))
    sheet = BaySheet.of(request, number, "channels")
    on = set(channel.speakers.values_list("pk", flat=True))
    placed = sheet.job.speakers.exclude(pk__in=on).prefetch_related("channels__part")
    taken = {speaker.position for speaker in placed}
    context = {
        "sheet": sheet,
        "target": channel,
        "speakers": sorted(placed, key=lambda one: bool(one.channels.all())),
        "positions": [one for one in POSITIONS.values() if one.id not in taken],
    }
    return answers.dialog(request, sheet, "bay/places.html", context)


@allow(*BENCH)
@require_POST
def add(request: Request, number: int, position: str) -> HttpResponse:
    """Put a speaker at a position, and on the chosen channel: one change, one way back."""
    if position not in POSITIONS:
        raise Http404(gettext("There is no such place on the picture."))
    sheet = BaySheet.of(request, number, "channels")
    target = target_of(request, number)
    form = PlaceForm(service.parts_left(sheet.job), request.POST)
    there = list(sheet.job.speakers.filter(position=position))
    if not form.is_valid():
        return _dialog(request, sheet, position, there, target, form)
    if form.cleaned_data["both_sides"]:
        return _add_both(request, sheet, position, there, target, form)
    try:
        placed = service.add_speaker(
            number,
            actor(request),
            position=position,
            part_pk=form.part_pk,
            coil_joining=form.cleaned_data["coil_joining"] or "single",
            facts=form.facts,
            channel_pk=target.pk if target else None,
            key=token(request.POST.get("key")),
        )
    except Refused as refused:
        form.add_error(None, " ".join(refused.reasons))
        return _dialog(request, sheet, position, there, target, form)
    event = placed.event if placed else None
    said = (
        gettext("Speaker placed: %(place)s, fed by %(channel)s.")
        if target
        else gettext("Speaker placed: %(place)s.")
    )
    place = POSITIONS[position].label.lower()
    keys = {target.pk} if target else set()
    text = said % {"place": told(place), "channel": target}
    return done(request, number, keys, text, event)


def _add_both(
    request: Request,
    sheet: BaySheet,
    position: str,
    there: list[JobSpeaker],
    target: Channel | None,
    form: PlaceForm,
) -> HttpResponse:
    """The speaker typed and its like on the other side: one change, one way back."""
    part = form.left[str(form.part_pk)].part if form.part_pk is not None else None
    coils = form.cleaned_data["coil_joining"] or "single"
    member = sets.Member(position, part, target, coils, None if part else form.facts)
    try:
        members = sets.like_the_other_side(sheet.job, position, member)
        key = token(request.POST.get("key"))
        event = sets.place_set(sheet.number, members, actor=actor(request), key=key)
    except Refused as refused:
        form.add_error(None, " ".join(refused.reasons))
        return _dialog(request, sheet, position, there, target, form)
    keys = {one.channel.pk for one in members if one.channel is not None}
    text = gettext("Placed: %(speakers)s.") % {"speakers": event.after["speakers"]}
    return done(request, sheet.number, keys, text, event)


@allow(*BENCH)
@require_POST
def save(request: Request, number: int, pk: int) -> HttpResponse:
    """Save what is known of one speaker."""

    def read() -> JobSpeaker:
        return JobSpeaker.objects.get(pk=pk, job__number=number)

    def draw(sheet: BaySheet, row: JobSpeaker, cleaned: Cleaned, clashes: list[FieldClash]) -> str:
        return speaker_html(sheet, row, target_of(request, number), cleaned, clashes)

    return answers.save_cells(
        request,
        number,
        "channels",
        job_speaker_fields(),
        partial(service.save_speaker, number, pk),
        draw,
        read,
    )


@allow(*BENCH)
@require_POST
def remove(request: Request, number: int, pk: int) -> HttpResponse:
    """Take a speaker out of its place and off its channels."""
    speaker = get_object_or_404(JobSpeaker, pk=pk, job__number=number)
    name = str(speaker)
    keys = set(speaker.channels.values_list("pk", flat=True))
    try:
        event = service.remove_speaker(
            number, pk, actor=actor(request), key=token(request.POST.get("key"))
        )
    except Refused as refused:
        return answers.refused(request, number, "channels", refused)
    return done(request, number, keys, gettext("%(what)s removed.") % {"what": name}, event)


@allow_any_staff
@require_safe
def loads(request: Request, number: int, pk: int) -> HttpResponse:
    """Every way to wire the speakers of a channel, with the load and what it suits."""
    sheet = BaySheet.of(request, number, "channels")
    channel = get_object_or_404(Channel.objects.select_related("part"), pk=pk, job=sheet.job)
    labels = tuple(channel.speakers.values_list("label", flat=True))
    choices = loads_to_choose(sheet.plan, channel.plan_id, labels)
    on = [one for one in sheet.plan.speakers if one.id in labels]
    context = {
        "sheet": sheet,
        "channel": channel,
        "choices": choices,
        "behind": [one for one in on if one.passive is not None],
        "load": sheet.loads.get(channel.plan_id),
    }
    return answers.dialog(request, sheet, "bay/loads.html", context)


@allow(*BENCH)
@require_POST
def arrange(request: Request, number: int, pk: int) -> HttpResponse:
    """Join the speakers of a channel, and their coils, in a chosen way."""
    get_object_or_404(Channel, pk=pk, job__number=number)
    ways = dict(JOINING_CHOICES)
    joining = request.POST.get("joining", "")
    coil_joining = request.POST.get("coil_joining", "")
    if joining not in ways or coil_joining not in ways:
        return answers.refused(
            request, number, "channels", Refused(gettext("Choose one of the ways shown."))
        )
    try:
        event = service.arrange(
            number,
            pk,
            joining,
            coil_joining,
            actor=actor(request),
            key=token(request.POST.get("key")),
        )
    except Refused as refused:
        return answers.refused(request, number, "channels", refused)
    return done(request, number, {pk}, gettext("Wired that way."), event)
