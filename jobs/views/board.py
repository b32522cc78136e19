"""The board: every live job, by stage or by bay."""

from hashlib import blake2b

from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone

from jobs.models import Job
from jobs.reads.board import lanes_by_bay, lanes_by_stage, live_jobs
from jobs.templatetags.desk import absence, lateness, stay
from shop import branches
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
    jobs = live_jobs(
        bay=asked.get("bay", ""),
        technician=asked.get("who", ""),
        person=request.user,
        when="today" if today else "",
    )
    desk = not request.user.roles.isdisjoint(DESK)
    digest = _digest(jobs, bays, by_bay, desk)
    if asked.get("seen") == digest:
        return HttpResponse(status=204)
    context = {
        "lanes": lanes_by_bay(jobs, bays) if by_bay else lanes_by_stage(jobs),
        "by_bay": by_bay,
        "at_the_desk": desk,
        "digest": digest,
        "count": len(jobs),
        "late": sum(job.is_late for job in jobs),
        "nothing_today": today and not jobs,
    }
    if request.headers.get("HX-Target") == "board":
        return render(request, "board/lanes.html", context)
    context |= {
        "bays": bays,
        "technicians": StaffMember.objects.filter(
            branches.people(), is_technician=True, is_active=True
        ),
        "bay": asked.get("bay", ""),
        "who": asked.get("who", ""),
        "first_steps": request.user.is_manager and is_new(request.shop),
        "today_only": today,
        "filtered": bool(asked.get("bay") or asked.get("who") or today),
    }
    return render(request, "board/page.html", context)


def _digest(jobs: list[Job], bays: list[Bay], by_bay: bool, desk: bool) -> str:
    """Changes when any card or lane would look different; the drawn lanes are kept under it."""
    shown = "|".join(
        f"{job.pk} {job.version} {job.stage} {job.promised_at.timestamp()}"
        f" {lateness(job) if job.is_late else ''} {job.customer} {job.vehicle}"
        f" {job.bay} {job.technician} {absence(job) if job.not_arrived else ''} {stay(job)}"
        for job in jobs
    )
    zone = timezone.get_current_timezone_name()
    named = " ".join(f"{bay.pk} {bay}" for bay in bays)
    lanes = f"{by_bay} {desk}|{zone} {timezone.localdate()}|{named}"
    return blake2b(f"{lanes}|{shown}".encode(), digest_size=8).hexdigest()
