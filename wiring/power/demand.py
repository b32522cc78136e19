"""Demand: what each device asks of the supply at full output, playing music, and idle.

Full output is every channel in use at its rated power into its actual load, divided by the
efficiency at full output. Music is the long-term mean at the stated duty (mean output power over
full output power). Efficiencies where the maker gives none are common practice, no source.
"""

from typing import Final, Literal, NamedTuple

from wiring.context import Context, worked_out_once
from wiring.findings import Figure
from wiring.plan import Device

State = Literal["full", "music", "idle"]

CLASS_EFFICIENCY: Final[dict[str, float]] = {
    "A": 0.25,
    "AB": 0.55,
    "B": 0.60,
    "D": 0.80,
    "G": 0.60,
    "H": 0.60,
    "": 0.55,
}
EFFICIENCY_SOURCE: Final = "efficiency by class: common practice, no source"
DUTY_SOURCE: Final = (
    "music duty: shop's assumption (0.125 is a 12 dB crest factor: 2 / 10^(12.04/10))"
)


class DeviceDemand(NamedTuple):
    """What one device draws. Power is electrical power in at `rated_v`.

    `output_w` is the sum over channels in use at full output; `known` is False when a channel in
    use has no power figure, so the demand is understated.
    """

    device_id: str
    rated_v: float
    output_w: float
    efficiency: float
    efficiency_stated: bool
    full_w: float
    music_w: float
    idle_w: float
    known: bool

    def power_w(self, state: State) -> float:
        """Electrical power drawn in a state [W]."""
        if state == "full":
            return self.full_w
        return self.music_w if state == "music" else self.idle_w

    def current_a(self, state: State, supply_v: float) -> float:
        """Current at a supply voltage [A], the power held."""
        return self.power_w(state) / supply_v


def efficiency_of(device: Device) -> float:
    """Efficiency at full output: the maker's, else common practice for its class."""
    return device.efficiency or CLASS_EFFICIENCY[device.amplifier_class]


def music_power_w(amplifier_class: str, full_w: float, idle_w: float, duty: float) -> float:
    """Mean electrical power with music [W] at a duty (mean over full output power).

    A class D stage draws in proportion to its output; class B and its kin in proportion to the
    output voltage, so to the square root of the power (for a sine; music with a Gaussian spread
    draws 11 % less, left as margin); class A the same always. A class not stated counts as B.
    """
    span = max(0.0, full_w - idle_w)
    if amplifier_class == "A":
        return max(full_w, idle_w)
    if amplifier_class == "D":
        return float(idle_w + span * duty)
    return float(idle_w + span * duty**0.5)


def device_demand(context: Context, device: Device) -> DeviceDemand:
    """Demand of one device with the channels the plan uses."""
    output = 0.0
    known = True
    for channel in context.channels_of_device.get(device.id, ()):
        if channel.kind != "amplifier" or not channel.speakers:
            continue
        power = context.power_w.get(channel.id)
        if power is not None:
            output += power.power_w
        else:
            known = False
    efficiency = efficiency_of(device)
    idle = device.idle_current_a * device.rated_supply_v
    full = max(output / efficiency, idle)
    return DeviceDemand(
        device.id,
        device.rated_supply_v,
        output,
        efficiency,
        device.efficiency is not None,
        full,
        music_power_w(device.amplifier_class, full, idle, context.plan.assumptions.music_duty),
        idle,
        known,
    )


@worked_out_once
def demands(context: Context) -> dict[str, DeviceDemand]:
    """Demand of every device, worked out once per context."""
    return {device.id: device_demand(context, device) for device in context.plan.devices}


def figures_of(
    context: Context, device: Device, demand: DeviceDemand, supply_v: float
) -> tuple[Figure, ...]:
    """The figures of one device: power per channel in use, then the three currents."""
    figures: list[Figure] = []
    for channel in context.channels_of_device.get(device.id, ()):
        power = context.power_w.get(channel.id)
        if power is not None:
            figures.append(
                Figure(
                    f"{device.name} channel {channel.number}",
                    power.power_w,
                    "W",
                    "power into the load the channel has",
                    f"{context.load_ohm[channel.id]:g} ohm: {power.how}",
                    "maker's rating",
                )
            )
    assumed = [] if demand.efficiency_stated else [EFFICIENCY_SOURCE]
    if not demand.known:
        assumed.append("a channel in use has no rating: its power is not counted")
    duty = context.plan.assumptions.music_duty
    figures.append(full_output_figure(device, demand, supply_v))
    figures.append(
        Figure(
            f"{device.name} long-term current with music",
            demand.music_w / supply_v,
            "A",
            "I = P(music) / U; class D: P = P(idle) + (P(full) - P(idle)) x duty, "
            "class AB, B, G, H: x sqrt(duty), class A: P(full)",
            f"{demand.music_w:.1f} W / {supply_v:g} V, duty {duty:g}, "
            f"idle {demand.idle_w:.1f} W, full {demand.full_w:.1f} W",
            "text-book mean supply current of each class",
            (DUTY_SOURCE, *assumed),
        )
    )
    figures.append(
        Figure(
            f"{device.name} idle current",
            device.idle_current_a,
            "A",
            "maker's idle current",
            f"{device.idle_current_a:g} A",
            "maker's data",
        )
    )
    return tuple(figures)


def full_output_figure(device: Device, demand: DeviceDemand, supply_v: float) -> Figure:
    """Full-output current of a device at a supply voltage, with its sum."""
    return Figure(
        f"{device.name} full-output current",
        demand.full_w / supply_v,
        "A",
        "I = sum of channel powers / (efficiency x U)",
        f"{demand.output_w:g} W / ({demand.efficiency:g} x {supply_v:g} V)",
        "energy balance",
        () if demand.efficiency_stated else (EFFICIENCY_SOURCE,),
    )
