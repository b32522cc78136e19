"""Settings of one channel copied to its other side, to its like, or to any channel."""

from typing import Any

from django.http import HttpResponse
from django.utils.translation import gettext, gettext_noop as kept
from django.views.decorators.http import require_http_methods

from jobs.errors import Refused
from jobs.models import Channel, TuningKind
from jobs.services.tuning import sides as service
from jobs.views.bay import answers
from jobs.views.bay.bay_sheet import BaySheet, actor
from jobs.views.bay.channel_rows import channel_keys, kin, settings_html, what_it_feeds
from jobs.views.bay.channels import channels_of
from jobs.views.bay.tuning import channel_of, settings_of, shown_paired
from shop.access import allow
from shop.http import Request
from shop.kept_words import told
from shop.roles import BENCH
from shop.typed import row_keys, token
from shop.wording import listed

_WHY_NOT = {
    "delay": kept("it follows from the way of each speaker to the seat"),
    "polarity": kept("it belongs to the wire and the speaker of each channel"),
}
"""Why something is not copied unless it is ticked."""


def _keys(sheet: BaySheet, ids: tuple[str, ...]) -> str:
    """Channels as one button posts them."""
    keys = channel_keys(sheet)
    return ".".join(str(keys[one]) for one in ids)


def _offered(sheet: BaySheet, channel: Channel) -> list[tuple[str, str]]:
    """Channels to copy to by one tap, each with what the button posts."""
    known = kin(sheet)
    other = known.other_side.get(channel.plan_id)
    alike = known.alike.get(channel.plan_id, ())
    offered = []
    if other is not None:
        label = gettext("To the other side, %(other)s") % {"other": other}
        offered.append((label, _keys(sheet, (other,))))
    if len(alike) > 1:
        label = gettext("To all that play the same kind: %(alike)s") % {"alike": listed(alike)}
        offered.append((label, _keys(sheet, alike)))
    return offered


def _dialog(request: Request, sheet: BaySheet, channel: Channel, trouble: str = "") -> HttpResponse:
    posted = request.method == "POST"
    ticked = request.POST.getlist("what") if posted else list(service.ALIKE)
    chosen = set(row_keys(request.POST.getlist("to")))
    context: dict[str, Any] = {
        "sheet": sheet,
        "channel": channel,
        "feeds": what_it_feeds(sheet.plan, channel.plan_id),
        "what": [(one, one in ticked, _WHY_NOT.get(one, "")) for one in service.WHAT],
        "offered": _offered(sheet, channel),
        "others": [
            (one, what_it_feeds(sheet.plan, one.plan_id), one.pk in chosen)
            for one in channels_of(sheet.job)
            if one.pk != channel.pk
        ],
        "trouble": trouble,
    }
    return answers.dialog(request, sheet, "bay/copy.html", context, 422 if trouble else 200)


@allow(*BENCH)
@require_http_methods(["GET", "HEAD", "POST"])
def copy(request: Request, number: int, pk: int) -> HttpResponse:
    """Choose where settings go and which; `only` is one button's channels, `to` the ticked ones."""
    paired = shown_paired(request)
    section = "tuning" if paired else "channels"
    sheet = BaySheet.of(request, number, section)
    channel = channel_of(number, pk)
    if request.method != "POST":
        return _dialog(request, sheet, channel)
    only = request.POST.get("only", "")
    targets = row_keys(only.split(".") if only else request.POST.getlist("to"))
    what = [one for one in service.WHAT if one in request.POST.getlist("what")]
    try:
        event = service.copy_settings(
            number, pk, targets, what, actor=actor(request), key=token(request.POST.get("key"))
        )
    except Refused as refused:
        return _dialog(request, sheet, channel, " ".join(refused.reasons))
    fresh = BaySheet.of(request, number, section)
    rows = settings_of(fresh.job)
    changed = set(row_keys(event.after["settings"]))
    html = "".join(
        settings_html(fresh, one, kind, rows.get((kind, one.pk)), paired=paired, oob=True)
        for kind in (TuningKind.AFTER,)
        for one in channels_of(fresh.job)
        if one.pk in changed
    )
    left = [one for one in service.WHAT if one not in what]
    text = gettext("Copied from %(channel)s to %(to)s: %(what)s. Not copied: %(left)s.") % {
        "channel": channel,
        "to": event.after["channels"],
        "what": listed([told(one) for one in what]),
        "left": listed([told(one) for one in (*left, "mute")]),
    }
    return answers.done(request, number, section, text, event=event, html=html)
