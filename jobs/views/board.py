"""The board: every live job, by stage or by bay."""

from hashlib import blake2b

from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone

from jobs.reads.board import Lane, LiveRow, lanes_by_bay, lanes_by_stage, live_jobs, live_rows
from jobs.templatetags.desk import absence, lateness
from shop import backups, branches
from shop.access import allow_any_staff
from shop.first_day import is_new
from shop.http import Request
from shop.models import Bay, StaffMember
from shop.roles import DESK


@allow_any_staff
def board(request: Request) -> HttpResponse:
    """The board; asked again by the page itself, it answers 204 while nothing has changed."""
    asked = request.GET
    by_bay = asked.get("by") == "bay"
    bays = list(Bay.objects.in_use())
    today = asked.get("when") == "today"
    wanted = {
        "bay": asked.get("bay", ""),
        "technician": asked.get("who", ""),
        "person": request.user,
        "when": "today" if today else "",
    }
    rows = live_rows(**wanted)
    desk = not request.user.roles.isdisjoint(DESK)
    digest = _digest(rows, bays, by_bay, desk)
    if asked.get("seen") == digest:
        return HttpResponse(status=204)

    def lanes() -> list[Lane]:
        """The jobs themselves, read where the lanes are drawn anew."""
        jobs = live_jobs(**wanted)
        return lanes_by_bay(jobs, bays) if by_bay else lanes_by_stage(jobs)

    context = {
        "lanes": lanes,
        "by_bay": by_bay,
        "at_the_desk": desk,
        "digest": digest,
        "nothing_today": today and not rows,
    }
    if request.headers.get("HX-Target") == "board":
        return render(request, "board/lanes.html", context)
    places = tuple((str(bay.pk), bay.name) for bay in bays)
    technicians = StaffMember.objects.filter(branches.technicians())
    people = tuple((str(person.pk), person.name) for person in technicians)
    bay, who = asked.get("bay", ""), asked.get("who", "")
    context |= {
        "bays": places,
        "technicians": people,
        "bay": bay,
        "who": who,
        "chosen_bay": bay if bay in dict(places) else "",
        "chosen_who": who if who in {*dict(people), "mine", "open", "none"} else "",
        "first_steps": request.user.is_manager and is_new(request.shop),
        "days_without_backup": backups.days_without() if request.user.is_manager else None,
        "today_only": today,
        "filtered": bool(bay or who or today),
    }
    return render(request, "board/page.html", context)


def _digest(rows: list[LiveRow], bays: list[Bay], by_bay: bool, desk: bool) -> str:
    """Changes when any card or lane would look different; the drawn lanes are kept under it."""
    shown = "|".join(
        f"{row.pk} {row.version} {row.stage} {row.promised_at.timestamp()}"
        f" {lateness(row) if row.is_late else ''} {absence(row) if row.not_arrived else ''}"
        f" {row.shown}"
        for row in rows
    )
    zone = timezone.get_current_timezone_name()
    named = " ".join(f"{bay.pk} {bay}" for bay in bays)
    lanes = f"{by_bay} {desk}|{zone} {timezone.localdate()}|{named}"
    return blake2b(f"{lanes}|{shown}".encode(), digest_size=8).hexdigest()
