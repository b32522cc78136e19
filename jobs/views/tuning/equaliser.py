"""The equaliser of one channel: its sections as a list, the curve beside it as they are typed."""

from typing import Any, Final

import msgspec
from django.http import HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext
from django.views.decorators.http import require_POST, require_safe

from jobs import wording
from jobs.errors import Refused
from jobs.forms.bay import sections as section_form
from jobs.models import Channel, ChannelSetting, JobEvent, TuningKind
from jobs.plan.power import doc
from jobs.plan.tuning import curves, playing_through, with_sections
from jobs.services.tuning import records as service, sides
from jobs.views.bay import answers
from jobs.views.bay.bay_sheet import BaySheet, actor
from jobs.views.bay.channel_rows import (
    channel_keys,
    kin,
    named,
    settings_html,
    what_it_feeds,
)
from jobs.views.bay.channels import channels_of
from jobs.views.bay.tuning import channel_of, settings_of, shown_paired, side_of
from jobs.views.tuning.common import before_plan
from shop.access import allow, allow_any_staff
from shop.http import Request
from shop.roles import BENCH
from shop.typed import row_key, token, whole

STARTS: Final = {
    "peaking": ("1000", "0", "1.4"),
    "low_shelf": ("100", "0", "0.707"),
    "high_shelf": ("8000", "0", "0.707"),
    "notch": ("100", "0", "4"),
    "all_pass": ("100", "0", "0.707"),
}
"""Where a new section begins: frequency [Hz], gain [dB] and Q, before they are typed."""


def _plan(sheet: BaySheet, kind: str) -> doc.Plan:
    if kind == TuningKind.AFTER:
        return sheet.plan
    return before_plan(sheet) or with_sections(sheet.plan, "", ())


def _plot(sheet: BaySheet, kind: str, channel: Channel, wanted: list[dict[str, Any]]) -> str:
    """The channel's curve: saved thin, as typed bold."""
    saved = _plan(sheet, kind)
    sections = tuple(msgspec.convert(one, doc.Section) for one in wanted)
    typed = with_sections(saved, channel.plan_id, sections)
    shown = playing_through(typed, channel.plan_id)
    if not shown:
        return ""
    return curves(typed, saved, "channels", "magnitude", "equaliser", shown)


def _next(sheet: BaySheet, channel: Channel) -> Channel | None:
    rows = channels_of(sheet.job)
    place = next(n for n, one in enumerate(rows) if one.pk == channel.pk)
    return rows[place + 1] if place + 1 < len(rows) else None


def _editor(
    sheet: BaySheet,
    kind: str,
    channel: Channel,
    lines: list[section_form.Line],
    version: int,
    wanted: list[dict[str, Any]],
    trouble: str = "",
) -> dict[str, Any]:
    most = channel.part.product.max_sections
    return {
        "sheet": sheet,
        "kind": kind,
        "side": TuningKind(kind).label,
        "channel": channel,
        "feeds": what_it_feeds(sheet.plan, channel.plan_id),
        "lines": lines,
        "kinds": [one for one in section_form.KINDS if one[0]],
        "starts": [(value, dict(section_form.KINDS)[value]) for value in STARTS],
        "columns": section_form.COLUMNS,
        "version": version,
        "most": most,
        "full": most is not None and len(lines) >= most,
        "trouble": trouble,
        "plot": _plot(sheet, kind, channel, wanted),
        "label": gettext("Level of %(channel)s, saved and as typed") % {"channel": channel.plan_id},
        "next": _next(sheet, channel),
        "other": _other_side(sheet, kind, channel),
        "count": _count(len(lines), most),
    }


def _count(count: int, most: int | None) -> str:
    if most is None:
        return wording.plural(count, "section")
    return gettext("%(count)s of %(most)s sections in use") % {"count": count, "most": most}


def _other_side(sheet: BaySheet, kind: str, channel: Channel) -> Channel | None:
    """The channel of the other side, where settings as left are entered: what was found is not
    copied."""
    other = kin(sheet).other_side.get(channel.plan_id) if kind == TuningKind.AFTER else None
    return None if other is None else named(sheet, channel_keys(sheet)[other])


@allow_any_staff
@require_safe
def sections(request: Request, number: int, kind: str, pk: int) -> HttpResponse:
    """The equaliser sections of one channel, to look at and to edit."""
    return _open(request, number, side_of(kind), pk)


def _open(request: Request, number: int, kind: str, pk: int) -> HttpResponse:
    sheet = BaySheet.of(request, number, "tuning")
    channel = channel_of(number, pk)
    row = settings_of(sheet.job).get((kind, pk))
    held = row.sections if row else []
    lines = section_form.lines_of(held)
    context = _editor(sheet, kind, channel, lines, row.version if row else 1, held)
    return answers.dialog(request, sheet, "tuning/equaliser.html", context)


@allow(*BENCH)
@require_POST
def try_sections(request: Request, number: int, kind: str, pk: int) -> HttpResponse:
    """Show what is typed without saving it: the curve, or the list with a row more or less."""
    side_of(kind)
    sheet = BaySheet.of(request, number, "tuning")
    channel = channel_of(number, pk)
    wanted, lines, trouble = section_form.read(request.POST, channel.part.product.max_sections)
    do, _, what = request.POST.get("do", "").partition(":")
    if do == "add" and what in STARTS:
        values = dict(zip(("frequency_hz", "gain_db", "q"), STARTS[what], strict=True))
        lines.append(section_form.Line(len(lines) + 1, {"kind": what, **values}, {}))
    elif do == "remove":
        lines = [line for line in lines if line.number != whole(what)]
    lines = [line._replace(number=place) for place, line in enumerate(lines, 1)]
    if do:
        wanted = [one for line in lines if (one := section_form.section_of(line)) is not None]
    context = _editor(sheet, kind, channel, lines, answers.version_of(request), wanted, trouble)
    context["added"] = do == "add"
    template = "tuning/equaliser_rows.html" if do else "tuning/equaliser_plot.html"
    return render(request, template, context)


@allow(*BENCH)
@require_POST
def save_sections(request: Request, number: int, kind: str, pk: int) -> HttpResponse:
    """Save the whole list of sections of one channel."""
    side_of(kind)
    channel = channel_of(number, pk)
    version = answers.version_of(request)
    wanted, lines, trouble = section_form.read(request.POST, channel.part.product.max_sections)
    if not trouble and not any(line.errors for line in lines):
        also = row_key(request.POST.get("also"))
        try:
            if also is not None:
                both = _save_both(request, number, kind, channel, also, wanted)
                saved, event = both.own, both.event
            else:
                saved = service.save_setting(
                    number,
                    kind,
                    pk,
                    {"sections": wanted},
                    actor=actor(request),
                    version=version,
                    key=token(request.POST.get("key")),
                    code="setting.sections",
                )
                event = None
        except Refused as refused:
            return answers.refused(request, number, "tuning", refused)
        if not saved.clashes:
            return _done(request, number, kind, channel, saved.row, also, event)
        clash = saved.clashes[0]
        version = saved.row.version
        trouble = (
            f"{clash.actor} changed these sections meanwhile to: {_told(saved.row.sections)}. "
            "Save again to keep yours, or close to keep theirs."
        )
    sheet = BaySheet.of(request, number, "tuning")
    context = _editor(sheet, kind, channel, lines, version, wanted, trouble)
    return answers.dialog(request, sheet, "tuning/equaliser.html", context, 422)


def _save_both(
    request: Request,
    number: int,
    kind: str,
    channel: Channel,
    also: int,
    wanted: list[dict[str, Any]],
) -> sides.Both:
    """Save the list on the channel and on its other side. Raises Refused where it has none, or
    one with fewer sections; what somebody else wrote there before this is written over."""
    sheet = BaySheet.of(request, number, "tuning")
    other = _other_side(sheet, kind, channel)
    if other is None or other.pk != also:
        raise Refused(
            gettext("That is not the other side any more: close the equaliser and open it again.")
        )
    sides.refuse_too_few([channel_of(number, also)], len(wanted))
    row = settings_of(sheet.job).get((kind, also))
    return sides.set_both(
        number,
        channel.pk,
        also,
        {"sections": wanted},
        actor=actor(request),
        version=answers.version_of(request),
        other_version=row.version if row else 1,
        key=token(request.POST.get("key")),
        code="setting.sections",
    )


def _told(sections: list[dict[str, Any]]) -> str:
    return "; ".join(wording.section(one) for one in sections) or "none"


def _done(
    request: Request,
    number: int,
    kind: str,
    channel: Channel,
    row: ChannelSetting,
    also: int | None,
    event: JobEvent | None,
) -> HttpResponse:
    sheet = BaySheet.of(request, number, "tuning")
    paired = shown_paired(request)
    html = settings_html(sheet, channel, kind, row, paired=paired, oob=True)
    places = str(channel)
    if also is not None:
        other = named(sheet, also)
        there = settings_of(sheet.job).get((kind, also))
        html += settings_html(sheet, other, kind, there, paired=paired, oob=True)
        places = wording.listed([channel, other])
    then = row_key(request.POST.get("then"))
    if then is not None and request.htmx:
        html = _open(request, number, kind, then).content.decode() + html
    count = len(row.sections)
    text = f"{places} {kind}: {wording.plural(count, 'section')}."
    section = "tuning" if paired else "channels"
    return answers.done(request, number, section, text, event=event, html=html)
