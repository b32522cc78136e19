"""Sending a sheet back to the bay, point by point, and each point ticked off once it is so."""

from collections.abc import Iterable

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext

from jobs.errors import ChangedMeanwhile, Refused
from jobs.models import Job, SendBack
from jobs.plan.document import findings_of
from jobs.plan.power import Finding
from jobs.services.events import log
from jobs.services.moves import move
from jobs.services.saving import open_job
from jobs.symbols import symbols
from shop.models import StaffMember
from shop.services.events import subject_of


def standing(job: Job) -> dict[str, Finding]:
    """Findings that keep a sheet from being signed, by fingerprint: stops, and cautions that
    nobody has given a reason for."""
    reasoned = set(job.finding_reasons.values_list("fingerprint", flat=True))
    return {
        finding.fingerprint: finding
        for finding in findings_of(job)
        if finding.severity == "stop"
        or (finding.severity == "caution" and finding.fingerprint not in reasoned)
    }


def said_of(finding: Finding) -> str:
    """A finding as a point: its title, and where, for two of a kind read the same."""
    places = [one for one in finding.where if not one.startswith(("function-", "fault-codes"))]
    title = symbols(finding.title)
    return f"{title} ({', '.join(places)})" if places else title


@transaction.atomic
def send_back(job_id: int, actor: StaffMember, text: str, fingerprints: Iterable[str] = ()) -> Job:
    """Send the sheet back: one point for each finding named and for each line of the text.

    Raises Refused, ChangedMeanwhile when a finding that is named no longer stands.
    """
    job = Job.objects.select_for_update(of=("self",)).get(pk=job_id)
    wanted = list(dict.fromkeys(fingerprints))
    standing_findings = standing(job) if wanted else {}
    if any(one not in standing_findings for one in wanted):
        raise ChangedMeanwhile(gettext("A finding that was chosen no longer stands: choose again."))
    points = "\n".join(said_of(standing_findings[one]).replace("\n", " ") for one in wanted)
    name = "send_back_correction" if job.correction else "send_back"
    return move(job_id, name, actor, f"{points}\n{text}", fingerprints=wanted)


@transaction.atomic
def tick(number: int, pk: int, done: bool, *, actor: StaffMember) -> SendBack:
    """Tick off a point for which the sheet was sent back, or take the tick away.

    Raises Refused while the finding that the point was made from still stands.
    """
    job = open_job(number)
    row = job.send_backs.select_for_update(of=("self",)).get(pk=pk)
    if done == (row.done_at is not None):
        return row
    if done and row.fingerprint and (finding := standing(job).get(row.fingerprint)):
        left = "" if finding.severity == "stop" else " Or say why it stays as it is."
        raise Refused(
            gettext("Not put right yet: the %(severity)s still stands. %(what_to_do)s%(left)s")
            % {"severity": finding.severity, "what_to_do": finding.what_to_do, "left": left}
        )
    row.done_by = actor if done else None
    row.done_at = timezone.now() if done else None
    row.save(update_fields=["done_by", "done_at"])
    log(
        job,
        actor,
        "sendback.done" if done else "sendback.reopened",
        subject=subject_of(row),
        after={"reason": row.reason[:200]},
    )
    return row
