"""How the shop's own log names the records that jobs are made from: step lists, curves, limits."""

from typing import Final

from django.utils.translation import gettext_noop as kept

from jobs.models import Hook, ProposalLimits, ShopTarget, WorkKind
from jobs.services import hooks
from jobs.signing import EXCHANGED
from shop.reads.events import tell_of

tell_of(
    WorkKind,
    kept("Kind of work"),
    "step_kind",
    {
        "workkind.step_added": kept("Step added"),
        "workkind.step_changed": kept("Step changed"),
        "workkind.step_removed": kept("Step removed"),
        "workkind.steps_copied": kept("Steps copied"),
        "workkind.reordered": kept("Steps put in another order"),
    },
)
tell_of(ShopTarget, kept("Target curve"), "target_edit")
tell_of(ProposalLimits, kept("Limits of a proposal"))
FIELDS: Final = (kept("Program"), kept("Fingerprint"), kept("Others have it"))
"""What fields are called that stand on no form of that name."""

tell_of(
    Hook,
    kept("Address that is told"),
    "hook",
    {
        hooks.MADE: kept("Address that is told added"),
        hooks.ENDED: kept("Address is told no more"),
        EXCHANGED: kept("Signing key exchanged"),
    },
)
