"""Measuring with a microphone: signals to play, recordings, and what they say."""

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.db.models import Prefetch
from django.http import FileResponse, Http404, HttpResponse, HttpResponseNotModified
from django.shortcuts import get_object_or_404, redirect, render
from django.template.loader import render_to_string
from django.utils.translation import gettext as _, ngettext
from django.views.decorators.http import require_POST, require_safe

from jobs import wording
from jobs.errors import Refused
from jobs.forms.tuning.recording import EACH, KINDS, ONE_BY_ONE, RecordingForm, SignalForm
from jobs.models import JobEvent, MeasuredPhase, MeasuredResponse, Recording
from jobs.services.tuning import recordings as service, takes
from jobs.services.tuning.seats import delays_for
from jobs.symbols import with_symbols
from jobs.views.bay import answers
from jobs.views.bay.bay_sheet import BaySheet, actor
from jobs.views.tuning.common import show
from jobs.views.tuning.measured import EVERYTHING, playing_choices
from shop.access import allow, allow_any_staff
from shop.http import Request, sentences
from shop.lazy import Lazy
from shop.roles import BENCH
from shop.typed import token

sums = Lazy("jobs.plan.recordings")
together = Lazy("jobs.plan.together")


def _form(sheet: BaySheet, *args: Any, **kwargs: Any) -> RecordingForm:
    return RecordingForm(list(playing_choices(sheet.plan)), *args, **kwargs)


def _next(sheet: BaySheet) -> dict[str, Any]:
    """What the form begins with: as the last recording; the level always at its lowest."""
    first = {
        "level_dbfs": sums.FIRST_DBFS,
        "phase": MeasuredPhase.BEFORE,
        "playing": EVERYTHING,
        "kind": "sweep",
        "tone_hz": 1000,
    }
    last = sheet.job.recordings.last()
    if last is None:
        return first
    return {
        **first,
        "phase": last.phase,
        "kind": last.spec.get("kind", "sweep"),
        "tone_hz": round(last.spec.get("tone_hz", 1000)),
        "playing": last.order[0] if len(last.order) == 1 else EACH,
        "place": last.place,
        "microphone": last.microphone_id,
        "seconds": round(last.spec["seconds"]),
        "pause_s": round(last.spec["pause_s"]),
    }


def _list(sheet: BaySheet) -> dict[str, Any]:
    """Every recording, the newest first, with what was heard of each sound."""
    words = dict(playing_choices(sheet.plan))
    responses = Prefetch("responses", MeasuredResponse.objects.defer("text", "points"))
    found = sheet.job.recordings.select_related("by").prefetch_related(responses)
    recordings = list(found.order_by("-pk"))
    by_tape = delays_for(sheet.job, sheet.plan) if recordings else None
    known = [response for row in recordings for response in row.responses.all()]
    rows = []
    kinds = dict(KINDS)
    for row in recordings:
        played = [words.get(one, one) for one in row.order]
        heard = [
            {
                **one,
                "words": played[one["number"]],
                "place": row.places.get(row.order[one["number"]]),
                "verdict": row.polarity.get(row.order[one["number"]]),
            }
            for one in row.results
        ]
        left_out = takes.takes_left_out(row, known)
        delays = service.delays_wanted(row, sheet.plan, by_tape)
        pairs = service.pairs_of(row, sheet.plan, by_tape)
        rows.append(
            {
                "row": row,
                "heard": heard,
                "played": played,
                "kind": kinds.get(row.spec.get("kind", "sweep"), ""),
                "delays": delays,
                "pairs": pairs,
                "left_out": left_out,
                "left_out_count": sum(map(len, left_out.values())),
                "levels_open": any(pair.open for pair in pairs),
                "meets": [
                    {
                        **one,
                        "plot": together.meeting_plot(one, _names(words, one), _ident(row, one))
                        if row is recordings[0]
                        else "",
                        "names": _names(words, one),
                    }
                    for one in row.meets
                ],
            }
        )
    return {"recordings": rows}


def _names(words: dict[str, str], meeting: dict[str, Any]) -> tuple[str, str]:
    lower, upper = (words.get(meeting[one], meeting[one]) for one in ("lower", "upper"))
    return lower, upper


def _ident(row: Recording, meeting: dict[str, Any]) -> str:
    """What tells the plots of one page apart."""
    return f"meets-{row.pk}-{meeting['lower']}-{meeting['upper']}".replace(".", "-")


@allow_any_staff
@require_safe
def record(request: Request, number: int) -> HttpResponse:
    """What is to be measured, and what was."""
    sheet = BaySheet.of(request, number, "tuning")
    return _page(request, sheet, _form(sheet, initial=_next(sheet)))


def _page(
    request: Request, sheet: BaySheet, form: RecordingForm, status: int = 200
) -> HttpResponse:
    return show(
        request,
        sheet,
        "record",
        "tuning/record.html",
        status=status,
        form=form,
        cautions=sums.CAUTIONS,
        first_dbfs=sums.FIRST_DBFS,
        last_dbfs=sums.LAST_DBFS,
        last_noise_dbfs=sums.LAST_NOISE_DBFS,
        one_by_one=" ".join(sorted(ONE_BY_ONE)),
        channels=[one for one in playing_choices(sheet.plan) if one[0] in form.channels],
        **_list(sheet),
    )


@allow(*BENCH)
@require_POST
def recording_add(request: Request, number: int) -> HttpResponse:
    """Hear a recording and keep it: 201 with the list, 422 with a sentence, for what is sent by
    itself; else the page."""
    sheet = BaySheet.of(request, number, "tuning")
    by_itself = "Loombook-Recording" in request.headers
    form = _form(sheet, request.POST)
    file = request.FILES.get("recording")
    refused: list[str] = []
    if form.is_valid() and file is not None:
        data = form.cleaned_data
        try:
            spec = _spec(data, len(form.order))
            service.add_recording(
                sheet.number,
                file.read(),
                phase=data["phase"],
                order=form.order,
                place=data["place"],
                spec=spec,
                microphone=data["microphone"],
                device=data["device"],
                key=token(request.POST.get("key")),
                actor=actor(request),
            )
        except Refused as reason:
            refused = reason.reasons
        else:
            if by_itself:
                fresh = BaySheet.of(request, sheet.number, "tuning")
                context = {"sheet": fresh, **_list(fresh)}
                return render(request, "tuning/recordings.html", context, status=201)
            messages.success(request, _("The recording is kept."))
            return redirect(sheet.url("bay_record"))
    elif file is None:
        refused = [_("No recording arrived: record it again, or choose the file again.")]
    said = refused or [str(line) for lines in form.errors.values() for line in lines]
    if by_itself:
        return sentences(said, 422)
    for line in refused:
        form.add_error(None, line)
    return _page(request, sheet, form, 422)


def _spec(data: dict[str, Any], count: int) -> Any:
    """The signal that the form names. Raises Refused for one that cannot be played."""
    try:
        return sums.SignalSpec(
            kind=data["kind"],
            tone_hz=data["tone_hz"],
            seconds=data["seconds"] if data["kind"] != "channels" else sums.CHANNELS_S,
            level_dbfs=data["level_dbfs"],
            pause_s=data["pause_s"],
            count=count,
        )
    except sums.WiringError as error:
        raise Refused(with_symbols(f"{wording.capital(error.reason)}.")) from None


@allow_any_staff
@require_safe
def signal(request: Request, number: int) -> HttpResponse:
    """The signal as a WAV file, to be played here or taken along on a stick."""
    sheet = BaySheet.of(request, number, "tuning")
    form = SignalForm(request.GET)
    each = request.GET.get("playing") == EACH and request.GET.get("kind") in {*ONE_BY_ONE, None}
    count = len(_form(sheet).channels) if each else 1
    if not form.is_valid():
        raise Http404
    try:
        spec = _spec(form.cleaned_data, max(count, 1))
    except Refused:
        raise Http404 from None
    told = (spec.kind, spec.tone_hz, spec.seconds, spec.level_dbfs, spec.pause_s, spec.count)
    tag = f'"{"-".join(map(str, told))}"'
    if request.headers.get("If-None-Match") == tag:
        return HttpResponseNotModified()
    answer = HttpResponse(sums.wav(spec), content_type="audio/wav")
    answer["ETag"] = tag
    name = f"{spec.kind} {spec.level_dbfs:g} dB.wav"
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer


@allow_any_staff
@require_safe
def recording_file(request: Request, number: int, pk: int) -> HttpResponse | FileResponse:
    """The recording itself, so that anybody can repeat the sums."""
    row = get_object_or_404(Recording, pk=pk, job__number=number)
    try:
        file = row.file.open()
    except FileNotFoundError:
        raise Http404("This recording's file is gone: take it from a backup.") from None
    return FileResponse(file, as_attachment=True, filename=row.kept_as, content_type="audio/flac")


@allow(*BENCH)
@require_POST
def delays_put_in(request: Request, number: int, pk: int) -> HttpResponse:
    """Put the delays of measured arrivals into the after record; it can be undone."""
    said = _("Delays put into the after settings: %(channels)s.")
    return _put_in(request, number, pk, service.put_measured_delays_in, said)


@allow(*BENCH)
@require_POST
def levels_matched(request: Request, number: int, pk: int) -> HttpResponse:
    """Lower the louder side of each pair in the after record; it can be undone."""
    said = _("Levels put into the after settings: %(channels)s.")
    return _put_in(request, number, pk, service.match_levels, said)


@allow(*BENCH)
@require_POST
def takes_averaged(request: Request, number: int, pk: int) -> HttpResponse:
    """Let every take count that was set aside for those of one recording; it can be undone."""
    get_object_or_404(Recording, pk=pk, job__number=number)
    sheet = BaySheet.of(request, number, "tuning")
    to = sheet.url("bay_record")
    try:
        event = takes.average_takes(
            number, pk, actor=actor(request), key=token(request.POST.get("key"))
        )
    except Refused as refused:
        return answers.refused(request, number, "tuning", refused, to=to)
    count = event.after["count"]
    text = ngettext(
        "%(count)s earlier take counts again: the mean is shown.",
        "%(count)s earlier takes count again: their mean is shown.",
        count,
    ) % {"count": count}
    html = ""
    if request.htmx:
        context = {"sheet": sheet, **_list(BaySheet.of(request, number, "tuning"))}
        inner = render_to_string("tuning/recordings.html", context, request)
        html = f'<div id="recordings" hx-swap-oob="true">{inner}</div>'
    return answers.done(request, number, "tuning", text, event=event, html=html, to=to)


def _put_in(
    request: Request, number: int, pk: int, put: Callable[..., JobEvent], said: str
) -> HttpResponse:
    """Have a recording change the after record, and say of which channels, with a way back."""
    get_object_or_404(Recording, pk=pk, job__number=number)
    sheet = BaySheet.of(request, number, "tuning")
    to = sheet.url("bay_record")
    key = token(request.POST.get("key"))
    try:
        event = put(number, pk, sheet.plan, actor=actor(request), key=key)
    except Refused as refused:
        return answers.refused(request, number, "tuning", refused, to=to)
    text = said % {"channels": event.after["channels"]}
    return answers.done(request, number, "tuning", text, event=event, to=to)


@allow(*BENCH)
@require_POST
def recording_remove(request: Request, number: int, pk: int) -> HttpResponse:
    """Take a recording away, with what was worked out from it."""
    get_object_or_404(Recording, pk=pk, job__number=number)
    to = BaySheet.of(request, number).url("bay_record")
    try:
        service.remove_recording(
            number, pk, actor=actor(request), key=token(request.POST.get("key"))
        )
    except Refused as refused:
        return answers.refused(request, number, "tuning", refused, to=to)
    return answers.reload(request, to)
