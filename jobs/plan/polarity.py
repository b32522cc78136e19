"""What recordings say of the polarity of channels, and whether it still holds of the plan.

What was judged stands with the facts it rests on: the wire, what it feeds, which settings turn it,
and what was proved of it by then. Where one of them became another since, the recording is older
than the change and says nothing any more.
"""

from collections.abc import Iterable, Mapping
from typing import Any, Final

import msgspec

from wiring import plan as doc

Judged = Mapping[str, Mapping[str, Any]]
"""By channel: `verdict`, `expected`, `measured` and `said` of
wiring.measure.proposals.PolarityVerdict, and what it `rests_on`."""

HEARD: Final[dict[str, doc.PolarityHeard]] = {"proved": "as_set", "contradicted": "contradicted"}
"""A verdict as the plan keeps it; what was unclear is not kept."""


def turned_by(plan: doc.Plan, channel: doc.Channel) -> bool:
    """Whether all that a channel feeds is joined the other way round within a passive crossover."""
    fed = [one.passive for one in plan.speakers if one.id in channel.speakers]
    return bool(fed) and all(one is not None and one.inverted for one in fed)


def rests_on(plan: doc.Plan, channel: doc.Channel, setting_ids: Iterable[str]) -> dict[str, Any]:
    """The facts that a verdict on a channel rests on, as plain types.

    `setting_ids` are the channels whose settings turn it.
    """
    inverted = {one.id: one.setting.inverted for one in plan.channels}
    return {
        "wire": written(channel.wire),
        "proved": channel.wire.polarity_proved if channel.wire else None,
        "speakers": list(channel.speakers),
        "turned": turned_by(plan, channel),
        "inverted": {one: inverted[one] for one in setting_ids if one in inverted},
    }


def written(wire: doc.Wire | None) -> dict[str, Any]:
    """What is written down of a wire, by where it stands."""
    if wire is None:
        return {}
    ends = {"positive": wire.positive, "negative": wire.negative}
    facts = {
        f"{end}.{name}": value
        for end, lead in ends.items()
        for name, value in msgspec.to_builtins(lead).items()
    }
    return {"connector": wire.connector, **facts} if wire.connector else facts


def holds(plan: doc.Plan, channel: doc.Channel, said: Mapping[str, Any]) -> bool:
    """Whether nothing that a verdict rests on is another one now.

    What had not been written down by then may have been since. Somebody who proved the opposite
    since has the last word.
    """
    kept, opposite = said["rests_on"], said["verdict"] == "contradicted"
    now = rests_on(plan, channel, kept["inverted"])
    if now["proved"] is opposite and kept["proved"] is not opposite:
        return False
    return still_written(now["wire"], kept["wire"]) and all(
        now[name] == kept[name] for name in ("speakers", "turned", "inverted")
    )


def still_written(now: Mapping[str, Any], then: Mapping[str, Any]) -> bool:
    """Whether all that was written down of a wire then stands there now."""
    return all(now.get(name) == value for name, value in then.items())


def with_polarity_heard(plan: doc.Plan, judged: Iterable[Judged]) -> doc.Plan:
    """The plan with what the newest recording that could tell says of each channel, while it holds.

    `judged` holds what each recording says, the oldest first.
    """
    newest: dict[str, Mapping[str, Any]] = {}
    for one in judged:
        newest |= {key: said for key, said in one.items() if said["verdict"] in HEARD}
    if not newest:
        return plan

    def heard(channel: doc.Channel) -> doc.Channel:
        said = newest.get(channel.id)
        if said is None or not holds(plan, channel, said):
            return channel
        return msgspec.structs.replace(channel, polarity_heard=HEARD[said["verdict"]])

    return msgspec.structs.replace(plan, channels=tuple(map(heard, plan.channels)))
