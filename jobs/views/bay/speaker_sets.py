"""Placing a set of speakers by one tap of a list that says all of it."""

from typing import Any

from django.http import HttpResponse
from django.utils.translation import gettext
from django.views.decorators.http import require_http_methods

from jobs import wording
from jobs.errors import Refused
from jobs.models import Channel, Job
from jobs.plan.power import POSITIONS
from jobs.services import speaker_sets as service
from jobs.services.channels import parts_left
from jobs.views.bay import answers
from jobs.views.bay.bay_sheet import BaySheet, actor
from jobs.views.bay.speakers import done, target_of
from shop.access import allow
from shop.http import Request
from shop.kept_words import told
from shop.roles import BENCH
from shop.typed import row_key, token
from shop.wording import inner, listed

_COILS = {"parallel": "coils in parallel", "series": "coils in series", "single": ""}


def _token(member: service.Member) -> str:
    """A member as its button posts it."""
    part = member.part.pk if member.part else ""
    channel = member.channel.pk if member.channel else ""
    return f"{member.position}:{part}:{channel}:{member.coil_joining}"


def _shown(offered: service.SpeakerSet) -> dict[str, Any]:
    parts = {one.part.pk: one.part for one in offered.members if one.part}
    what = [
        f"{wording.times(sum(one.part == part for one in offered.members))}{part.product}"
        for part in parts.values()
    ]
    coils = _COILS[offered.members[0].coil_joining]
    fed = [one for one in offered.members if one.channel is not None]
    return {
        "name": offered.name,
        "what": listed([*what, *([coils] if coils else [])]),
        "fed": "; ".join(
            f"{one.channel} {inner(told(POSITIONS[one.position].label))}" for one in fed
        ),
        "members": [_token(one) for one in offered.members],
    }


def _read(job: Job, posted: list[str]) -> tuple[service.Member, ...]:
    """The members a button posted. Raises Refused for what names nothing of this job."""
    parts = {one.part.pk: one.part for one in parts_left(job)}
    amplifier = job.channels.filter(kind=Channel.Kind.AMPLIFIER)
    channels = {one.pk: one for one in amplifier.select_related("part", "job")}
    members = []
    for text in posted[: service.MOST_IN_A_SET + 1]:
        position, part, channel, coils = (*text.split(":", 3), "", "", "")[:4]
        known = parts.get(row_key(part) or 0)
        fed_by = channels.get(row_key(channel) or 0)
        if position not in POSITIONS or coils not in _COILS or known is None:
            raise Refused(
                gettext("Parts or places of that set are gone. Choose one of the sets shown.")
            )
        if channel and fed_by is None:
            raise Refused(gettext("A channel of that set is gone. Choose one of the sets shown."))
        members.append(service.Member(position, known, fed_by, coils))
    return tuple(members)


@allow(*BENCH)
@require_http_methods(["GET", "HEAD", "POST"])
def sets(request: Request, number: int) -> HttpResponse:
    """The sets that can be placed, each with parts, places and channels; one posted is placed."""
    sheet = BaySheet.of(request, number, "channels")
    if request.method != "POST":
        offered = service.sets_to_place(sheet.job, target_of(request, number))
        context = {"sheet": sheet, "sets": [_shown(one) for one in offered]}
        return answers.dialog(request, sheet, "bay/speaker_sets.html", context)
    try:
        members = _read(sheet.job, request.POST.getlist("member"))
        event = service.place_set(
            number, members, actor=actor(request), key=token(request.POST.get("key"))
        )
    except Refused as refused:
        return answers.refused(request, number, "channels", refused)
    keys = {one.channel.pk for one in members if one.channel is not None}
    text = gettext("Placed: %(speakers)s.") % {"speakers": event.after["speakers"]}
    return done(request, number, keys, text, event)
