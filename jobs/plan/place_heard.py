"""Which channels of the source recordings hear at channels, and whether it still holds of the plan.

What was heard stands with the facts it rests on: the wire, what it feeds, and every line that leads
to the channel's device. Where one of them became another since, the recording is older than the
change and says nothing any more. Where the speakers are is not among them: the plan may have that
wrong, and what was heard at them is laid against where it has them now.
"""

from collections.abc import Iterable, Mapping
from typing import Any, Final, Literal

import msgspec

from jobs.plan.polarity import still_written, written
from wiring import plan as doc

Verdict = Literal["as_planned", "contradicted", "unclear"]

VERDICTS: Final[dict[bool | None, Verdict]] = {
    True: "as_planned",
    False: "contradicted",
    None: "unclear",
}

PlacesHeard = Mapping[str, Mapping[str, Any]]
"""By channel: `side` and `zone` as heard, the `verdict` on them and what it `said` then, and what
it `rests_on`."""


def rests_on(plan: doc.Plan, channel: doc.Channel) -> dict[str, Any]:
    """The facts that what was heard at a channel rests on, as plain types."""
    return {
        "wire": written(channel.wire),
        "speakers": list(channel.speakers),
        "lines": _lines(plan, channel.device),
    }


def _lines(plan: doc.Plan, device: str) -> dict[str, list[Any]]:
    """Every line that leads to a device, over however many others, with the input it goes into."""
    found: dict[str, list[Any]] = {}
    seen, open_ = set(), [device]
    while open_:
        into = open_.pop()
        seen.add(into)
        for line in plan.channels:
            if line.feeds_device == into:
                found[line.id] = [into, line.feeds_input]
                if line.device not in seen:
                    open_.append(line.device)
    return found


def holds(plan: doc.Plan, channel: doc.Channel, kept: Mapping[str, Any]) -> bool:
    """Whether nothing that was heard rests on is another one now.

    What had not been written down by then may have been since.
    """
    now = rests_on(plan, channel)
    return still_written(now["wire"], kept["wire"]) and all(
        now[name] == kept[name] for name in ("speakers", "lines")
    )


def with_places_heard(plan: doc.Plan, told: Iterable[PlacesHeard]) -> doc.Plan:
    """The plan with the side and the zone that the newest recording that could tell each heard at a
    channel, while it holds. `told` holds what each recording says, the oldest first."""
    newest: dict[str, dict[str, Mapping[str, Any]]] = {"side": {}, "zone": {}}
    for one in told:
        for what, by_channel in newest.items():
            by_channel |= {key: said for key, said in one.items() if said[what]}
    if not any(newest.values()):
        return plan

    def heard(channel: doc.Channel) -> doc.Channel:
        found = {
            f"heard_{what}": said[what]
            for what, by_channel in newest.items()
            if (said := by_channel.get(channel.id)) and holds(plan, channel, said["rests_on"])
        }
        return msgspec.structs.replace(channel, **found) if found else channel

    return msgspec.structs.replace(plan, channels=tuple(map(heard, plan.channels)))
