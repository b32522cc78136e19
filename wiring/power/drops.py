"""What each device loses out and back, with music and at full output, beside the shop's limits."""

from typing import Final, Literal, NamedTuple

from wiring.context import Context
from wiring.power.network import converted, network
from wiring.power.solution import Operating, operating

DropState = Literal["music", "full"]
STATE_WORDS: Final[dict[DropState, str]] = {
    "music": "with music, long-term",
    "full": "at full output",
}


class Drop(NamedTuple):
    """Voltage one device loses out and back in one state [V], and the limit on its fraction of
    the charging voltage [1]. `port` is the device's place among the network's ports."""

    device_id: str
    port: int
    state: DropState
    lost_v: float
    fraction: float
    limit: float
    point: Operating

    @property
    def over(self) -> bool:
        """Whether more is lost than the shop allows."""
        return self.fraction > self.limit


def drops(context: Context) -> tuple[Drop, ...]:
    """Every device's drop in both states, music first; none where nothing solves.

    A device behind a converter is left out: the converter holds its voltage.
    """
    assumptions = context.plan.assumptions
    supply_v = context.plan.supply.charging_v
    net = network(context)
    states: tuple[tuple[DropState, float], ...] = (
        ("music", assumptions.max_drop_fraction),
        ("full", assumptions.max_full_drop_fraction),
    )
    found = []
    for index, port in enumerate(net.ports):
        if converted(context, net, port) != 1.0:
            continue
        for state, limit in states:
            point = operating(context, state, "cruising")
            if point is not None:
                lost_v = point.terminal_v - point.volts[index]
                found.append(Drop(port, index, state, lost_v, lost_v / supply_v, limit, point))
    return tuple(found)
