"""Limits that rules about cables and rules about fuses share, and where they come from."""

from typing import Final

from wiring.plan import Assumptions, Run

PRACTICE: Final = "common practice, no source"
SHOP: Final = "the shop's assumptions"
MARINE_SOURCE: Final = "33 CFR 183.455 (as read in 2026)"
MARINE_ALLOWANCE: Final = 1.5
MARINE_BARE_M: Final = 0.178
MARINE_SHEATHED_M: Final = 1.016


def distance_limit_m(assumptions: Assumptions, run: Run) -> tuple[float, str]:
    """How far a fuse may be from its source [m], and the rule book that says so."""
    if assumptions.rule_book == "marine":
        if run.sheathed:
            return MARINE_SHEATHED_M, f"{MARINE_SOURCE}, 40 in sheathed"
        return MARINE_BARE_M, f"{MARINE_SOURCE}, 7 in"
    return assumptions.fuse_distance_m, f"{SHOP}; 18 in (0.45 m) is common practice, no source"


def allowed_rating_a(assumptions: Assumptions, allowed_a: float) -> float:
    """Largest fuse for a conductor [A]: its allowed current, 150 % under marine rules."""
    return allowed_a * (MARINE_ALLOWANCE if assumptions.rule_book == "marine" else 1.0)
