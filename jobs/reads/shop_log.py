"""How the shop's own log names the records that jobs are made from: step lists, curves, limits."""

from jobs.models import ProposalLimits, ShopTarget, WorkKind
from shop.reads.events import tell_of

tell_of(
    WorkKind,
    "Kind of work",
    "step_kind",
    {
        "workkind.step_added": "Step added",
        "workkind.step_changed": "Step changed",
        "workkind.step_removed": "Step removed",
        "workkind.steps_copied": "Steps copied",
        "workkind.reordered": "Steps put in another order",
    },
)
tell_of(ShopTarget, "Target curve", "target_edit")
tell_of(ProposalLimits, "Limits of a proposal")
