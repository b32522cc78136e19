"""What rules are shown of a plan: the part they judge, and nothing in place of the rest.

A save changes one figure, which most rules do not read. What they found before is kept for the same
view; and since a rule is never shown more than its view, it cannot rest on what was left out.
"""

from typing import Any, Final, Literal

from msgspec.structs import replace

from wiring.plan import Plan, Setting

View = Literal["channels", "power", "settings"]
"""`channels`: how channels are joined, labelled and proved, without their settings.
`power`: devices, what they feed, and the power path. `settings`: what channels are set to and feed.
"""

_UNPROVED: Final[dict[str, Any]] = {
    "wire": None,
    "cable": None,
    "measured_load_ohm": None,
    "polarity_heard": "",
    "heard_side": "",
    "heard_zone": "",
    "note": "",
}
LEFT_OUT: Final[dict[View, dict[str, Any]]] = {
    "channels": {"setting": Setting(), "note": ""},
    "power": {**_UNPROVED, "setting": Setting(), "output_limit_v": None},
    "settings": _UNPROVED,
}
"""Of each channel, and what stands in its place."""

WITH_RUNS: Final = frozenset[View]({"power"})


def shown(plan: Plan, view: View) -> Plan:
    """The plan as rules with this view see it."""
    left_out = LEFT_OUT[view]
    channels = tuple([replace(channel, **left_out) for channel in plan.channels])
    runs = plan.runs if view in WITH_RUNS else ()
    return replace(plan, channels=channels, runs=runs)
