"""Tuning: settings as found and as left side by side, working records, what differs."""

from functools import partial
from typing import Any, NamedTuple

from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils.translation import gettext
from django.views.decorators.http import require_POST, require_safe

from jobs.errors import Refused
from jobs.forms.bay.add import OtherSettingForm, WorkingRecordForm
from jobs.forms.bay.cells import Cleaned
from jobs.forms.bay.fields import other_fields, setting_fields
from jobs.models import Channel, ChannelSetting, Job, OtherSetting, TuningKind, TuningRecord
from jobs.services.saving import FieldClash, Saved
from jobs.services.tuning import records as service, sides
from jobs.views.bay import answers
from jobs.views.bay.bay_sheet import BaySheet, actor
from jobs.views.bay.channel_rows import channel_keys, kin, named, settings_html
from jobs.views.bay.channels import channels_of
from jobs.views.bay.differences import differences
from jobs.views.bay.rows import cell_row
from jobs.views.tuning.common import show
from jobs.views.tuning.curves import choices
from shop.access import allow, allow_any_staff
from shop.http import Request
from shop.models import StaffMember
from shop.roles import BENCH
from shop.typed import row_version, token
from shop.wording import listed

_SIDES = (TuningKind.BEFORE, TuningKind.AFTER)


class Pair(NamedTuple):
    """A channel's settings as found, where there were any, and as left."""

    before: str
    after: str


def settings_of(job: Job) -> dict[tuple[str, int], ChannelSetting]:
    rows = ChannelSetting.objects.filter(record__job=job, record__kind__in=_SIDES)
    return {(row.record.kind, row.channel_id): row for row in rows.select_related("record")}


@allow_any_staff
@require_safe
def tuning(request: Request, number: int) -> HttpResponse:
    return _page(request, BaySheet.of(request, number, "tuning"))


def _page(request: Request, sheet: BaySheet, **forms: Any) -> HttpResponse:
    settings = settings_of(sheet.job)
    channels = channels_of(sheet.job)
    found = _was_there(sheet.job, channels, settings, request.GET.getlist("found"))

    def drawn(kind: str, channel: Channel) -> str:
        if kind == TuningKind.BEFORE and channel.part.label not in found:
            return ""
        return settings_html(sheet, channel, kind, settings.get((kind, channel.pk)), paired=True)

    pairs = [Pair(*(drawn(kind, channel) for kind in _SIDES)) for channel in channels]
    new = [one for one in dict.fromkeys(row.part.label for row in channels) if one not in found]
    records = list(sheet.job.tuning_records.select_related("by"))
    return show(
        request,
        sheet,
        "settings",
        "bay/tuning.html",
        status=422 if forms else 200,
        shows=("marks",),
        pairs=pairs,
        new_devices=new,
        parts_url=reverse("job_parts", args=[sheet.number]),
        others=[other_html(sheet, row) for row in sheet.job.other_settings.all()],
        records=records,
        working=[record for record in records if record.kind == TuningKind.WORKING],
        **choices(sheet),
        **{"other_form": OtherSettingForm(), "keep_form": WorkingRecordForm(), **forms},
    )


def _was_there(
    job: Job,
    channels: list[Channel],
    settings: dict[tuple[str, int], ChannelSetting],
    asked: list[str],
) -> set[str]:
    """Labels of the devices that were in the car before the work: all of them where it came back,
    those with a setting as found, and those somebody says so of."""
    if job.comeback_of_id:
        return {row.part.label for row in channels}
    known = {
        row.part.label for row in channels if settings.get((TuningKind.BEFORE, row.pk)) is not None
    }
    return known | set(asked)


def other_html(
    sheet: BaySheet,
    setting: OtherSetting,
    cleaned: Cleaned | None = None,
    clashes: list[FieldClash] | None = None,
) -> str:
    """A setting outside the channels, as found and as left."""
    row = cell_row(setting, other_fields(), cleaned, clashes or [], setting.name)
    return render_to_string("bay/other_row.html", {"sheet": sheet, "row": row, "setting": setting})


def side_of(kind: str) -> str:
    if kind not in _SIDES:
        raise Http404(gettext("Settings are as found (before) or as left (after)."))
    return kind


def shown_paired(request: Request) -> bool:
    """The row stands in the tuning section, not in the channel grid."""
    return "/channels/" not in (request.htmx.current_url or "")


def channel_of(number: int, pk: int) -> Channel:
    """A channel of the job, with its part and product."""
    channels = Channel.objects.select_related("part__product")
    return get_object_or_404(channels, pk=pk, job__number=number)


@allow(*BENCH)
@require_POST
def save_setting(request: Request, number: int, kind: str, pk: int) -> HttpResponse:
    """Save settings of one channel, as found or as left."""
    side_of(kind)
    paired = shown_paired(request)

    def read() -> ChannelSetting:
        rows = ChannelSetting.objects.filter(record__job__number=number, record__kind=kind)
        setting = rows.filter(channel=pk).first()
        if setting is not None:
            return setting
        return ChannelSetting(channel=Channel.objects.get(pk=pk, job__number=number))

    save: answers.Save = partial(service.save_setting, number, kind, pk)
    both: list[sides.Both] = []
    if request.POST.get("both") and kind == TuningKind.AFTER:
        sheet = BaySheet.of(request, number, "tuning")
        channel = named(sheet, pk)
        other = kin(sheet).other_side.get(channel.plan_id)
        if other is not None:
            save = _both_sides(request, number, pk, channel_keys(sheet)[other], both)

    def draw(sheet: BaySheet, row: Any, cleaned: Cleaned, clashes: list[FieldClash]) -> str:
        channel = named(sheet, row.channel_id)
        html = settings_html(sheet, channel, kind, row, cleaned, clashes, paired=paired)
        return html + "".join(_other_side_html(sheet, channel, one, paired) for one in both[-1:])

    section = "tuning" if paired else "channels"
    return answers.save_cells(request, number, section, setting_fields(), save, draw, read)


def _both_sides(
    request: Request, number: int, pk: int, other_pk: int, both: list[sides.Both]
) -> answers.Save:
    """Saves on both sides; what became of it is added to `both`."""
    known = row_version(request.POST.get("other_version"))

    def save(changes: dict[str, Any], /, *, actor: StaffMember, version: int, key: str) -> Saved:
        done = sides.set_both(
            number,
            pk,
            other_pk,
            changes,
            actor=actor,
            version=version,
            other_version=known,
            key=key,
        )
        both.append(done)
        return done.own

    return save


def _other_side_html(sheet: BaySheet, channel: Channel, both: sides.Both, paired: bool) -> str:
    """The row of the other side, and what went there and what did not, with the way back."""
    if both.other is None:
        if both.own.clashes or not both.own.changed:
            return ""
        text = gettext("On %(channel)s alone: delay, polarity and mute stay with their side.")
        return answers.said_html(text % {"channel": channel})
    other = named(sheet, both.other.row.channel_id)
    row = settings_html(sheet, other, TuningKind.AFTER, both.other.row, paired=paired, oob=True)
    if both.other.clashes:
        who = listed(sorted({clash.actor for clash in both.other.clashes}))
        text = gettext(
            "Saved on %(channel)s alone: %(who)s changed %(other)s meanwhile. Look at both sides."
        )
        text %= {"channel": channel, "who": who, "other": other}
        return row + answers.said_html(text, "stop")
    if both.event is None:
        return row
    text = gettext("Set on %(channel)s and %(other)s.") % {"channel": channel, "other": other}
    return row + answers.said_html(text, "done", sheet.url("bay_undo", both.event.pk))


@allow(*BENCH)
@require_POST
def add_other(request: Request, number: int) -> HttpResponse:
    """Add a setting outside the channels."""
    sheet = BaySheet.of(request, number, "tuning")
    form = OtherSettingForm(request.POST)
    if form.is_valid():
        try:
            service.add_other(
                number,
                form.cleaned_data["name"],
                form.cleaned_data["before"],
                actor=actor(request),
                key=token(request.POST.get("key")),
            )
        except Refused as refused:
            form.add_error("name", refused.reasons[0])
        else:
            return answers.reload(request, sheet.url("bay_tuning") + "#other")
    return _page(request, sheet, other_form=form)


@allow(*BENCH)
@require_POST
def save_other(request: Request, number: int, pk: int) -> HttpResponse:
    """Save a setting outside the channels."""

    def draw(sheet: BaySheet, row: Any, cleaned: Cleaned, clashes: list[FieldClash]) -> str:
        return other_html(sheet, row, cleaned, clashes)

    return answers.save_cells(
        request,
        number,
        "tuning",
        other_fields(),
        partial(service.save_other, number, pk),
        draw,
        lambda: OtherSetting.objects.get(pk=pk, job__number=number),
    )


@allow(*BENCH)
@require_POST
def keep(request: Request, number: int) -> HttpResponse:
    """Keep the present settings under a name."""
    sheet = BaySheet.of(request, number, "tuning")
    form = WorkingRecordForm(request.POST)
    if form.is_valid():
        try:
            service.keep_as_working(
                number,
                form.cleaned_data["name"],
                actor=actor(request),
                key=token(request.POST.get("key")),
            )
        except Refused as refused:
            form.add_error("name", refused.reasons[0])
        else:
            return answers.reload(request, sheet.url("bay_tuning") + "#records")
    return _page(request, sheet, keep_form=form)


@allow(*BENCH)
@require_POST
def return_to(request: Request, number: int, pk: int) -> HttpResponse:
    """Copy a record into the present settings."""
    record = get_object_or_404(TuningRecord, pk=pk, job__number=number)
    try:
        event = service.return_to(
            number, pk, actor=actor(request), key=token(request.POST.get("key"))
        )
    except Refused as refused:
        return answers.refused(request, number, "tuning", refused)
    sheet = BaySheet.of(request, number, "tuning")
    settings = settings_of(sheet.job)
    html = "".join(
        settings_html(
            sheet,
            channel,
            TuningKind.AFTER,
            settings.get((TuningKind.AFTER, channel.pk)),
            paired=True,
            oob=True,
        )
        for channel in channels_of(sheet.job)
    )
    text = gettext("The settings are those of “%(name)s” again.") % {"name": record.name}
    return answers.done(request, number, "tuning", text, event=event, html=html)


@allow_any_staff
@require_safe
def compare(request: Request, number: int) -> HttpResponse:
    """What differs between two records of the job."""
    sheet = BaySheet.of(request, number, "tuning")
    records = {str(record.pk): record for record in sheet.job.tuning_records.all()}
    sides = [records.get(request.GET.get(name, "")) for name in ("first", "second")]
    context: dict[str, Any] = {"sheet": sheet, "first": sides[0], "second": sides[1]}
    if sides[0] is not None and sides[1] is not None:
        context["differences"] = differences(sheet.job, sides[0], sides[1])
        context |= choices(sheet, sides[0], sides[1])
    return answers.dialog(request, sheet, "bay/differences.html", context)
