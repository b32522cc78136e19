"""Proposals of equaliser sections: worked out for the channels chosen, applied as one change."""

import hashlib
from collections.abc import Iterable

import msgspec
from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.models import Job, JobEvent, MeasuredPhase, MeasuredResponse, ProposalLimits
from jobs.plan.measured import Proposed, counted, proposed, targets
from jobs.plan.tuning import tuning_findings, with_sections
from jobs.services.tuning.facts import facts_of
from jobs.services.tuning.settings import put_settings
from shop.models import StaffMember
from wiring.findings import Finding
from wiring.plan import Plan


def measured_channels(rows: Iterable[MeasuredResponse], plan: Plan) -> list[str]:
    """Channels with a measurement after, in the order of the plan."""
    have = {row.playing for row in rows if row.phase == MeasuredPhase.AFTER and row.counts}
    return [one.id for one in plan.channels if one.id in have and one.speakers]


def proposals_for(
    job: Job, plan: Plan, channel_ids: Iterable[str], *, anew: bool
) -> list[Proposed]:
    """A proposal for each channel that has measurements; the same input gives the same one."""
    known = targets()
    target = known.get(facts_of(job).target) or next(iter(known.values()))
    house = ProposalLimits.current()
    rows = list(job.measured.all())
    proposals = []
    for place, channel_id in enumerate(channel_ids):
        own = counted(rows, MeasuredPhase.AFTER, channel_id)
        if own:
            ident = f"proposal-{place}"
            proposals.append(proposed(plan, channel_id, own, target, house, anew=anew, ident=ident))
    return proposals


def fingerprint(proposals: Iterable[Proposed]) -> str:
    """A short mark of what was shown, so that nothing else is applied."""
    told = [
        (
            one.target_ids,
            msgspec.to_builtins(one.current.sections),
            msgspec.to_builtins(one.sections),
        )
        for one in proposals
    ]
    return hashlib.sha256(repr(told).encode()).hexdigest()[:16]


def new_findings(job: Job, plan: Plan, proposals: Iterable[Proposed]) -> list[Finding]:
    """What the checks of the sound would say once applied, and do not say now."""
    then = plan
    for one in proposals:
        for channel_id in one.target_ids:
            then = with_sections(then, channel_id, one.sections)
    known = {finding.fingerprint for finding in tuning_findings(job, plan)}
    return [one for one in tuning_findings(job, then) if one.fingerprint not in known]


def apply_proposals(
    number: int, proposals: Iterable[Proposed], *, actor: StaffMember, key: str = ""
) -> JobEvent:
    """Put the proposed sections into the after record; the event undoes them all."""
    changes = {
        channel_id: {
            "sections": [
                {
                    "kind": section.kind,
                    "frequency_hz": section.frequency_hz,
                    "gain_db": section.gain_db,
                    "q": section.q,
                }
                for section in one.sections
            ]
        }
        for one in proposals
        if one.changes
        for channel_id in one.target_ids
    }
    if not changes:
        raise Refused(gettext("Nothing to apply: no channel comes nearer the target."))
    return put_settings(number, changes, code="proposal.applied", actor=actor, key=key)
