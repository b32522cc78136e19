"""Loads: what a channel sees, how the power divides, what a channel can put into it.

Nominal impedances are treated as resistances, as ratings are (common practice): a real driver's
impedance varies with frequency and dips under its nominal value by up to 20 % (IEC 60268-5:2003,
16.1, from memory).
"""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from wiring.plan import Channel, Device, Joining, Speaker


class LoadError(ValueError):
    """A load cannot be formed; `field` says which entry to mend, the message why."""

    def __init__(self, field: str, reason: str) -> None:
        super().__init__(f"{field}: {reason}")
        self.field = field
        self.reason = reason


def series_ohm(loads_ohm: Sequence[float]) -> float:
    """Sum of resistances in series [ohm]."""
    return sum(loads_ohm)


def parallel_ohm(loads_ohm: Sequence[float]) -> float:
    """Resistances in parallel [ohm]: 1 / sum(1/R)."""
    return 1.0 / sum(1.0 / load for load in loads_ohm)


def join_ohm(loads_ohm: Sequence[float], joining: Joining, field: str = "joining") -> float:
    """Load of several parts joined in one of the plan's ways [ohm].

    `series_parallel` is pairs in series, the pairs then in parallel, and needs an even number of
    at least four. Raises LoadError for no parts, a part that is not above 0 ohm, or a joining
    that does not fit the number of parts.
    """
    if not loads_ohm:
        raise LoadError(field, "nothing is joined, so there is no load")
    for load in loads_ohm:
        if not load > 0:
            raise LoadError(field, f"a load of {load:g} ohm is not above 0")
    count = len(loads_ohm)
    if count == 1:
        return loads_ohm[0]
    if joining == "parallel":
        return parallel_ohm(loads_ohm)
    if joining == "series":
        return series_ohm(loads_ohm)
    if joining == "series_parallel":
        if count < 4 or count % 2:
            raise LoadError(field, f"series and parallel needs 4, 6 or 8 parts, not {count}")
        return parallel_ohm([loads_ohm[i] + loads_ohm[i + 1] for i in range(0, count, 2)])
    raise LoadError(field, f"{count} parts need series or parallel, not 'single'")


def power_shares(
    loads_ohm: Sequence[float], joining: Joining, field: str = "joining"
) -> tuple[float, ...]:
    """Fraction of the channel's power in each part, in order; the fractions add up to 1.

    In parallel the voltage is shared (power goes as 1/R), in series the current (power as R).
    Raises LoadError as `join_ohm` does.
    """
    total = join_ohm(loads_ohm, joining, field)
    if len(loads_ohm) == 1:
        return (1.0,)
    if joining == "parallel":
        return tuple(total / load for load in loads_ohm)
    if joining == "series":
        return tuple(load / total for load in loads_ohm)
    shares: list[float] = []
    for index in range(0, len(loads_ohm), 2):
        first, second = loads_ohm[index], loads_ohm[index + 1]
        pair = first + second
        shares += [total / pair * first / pair, total / pair * second / pair]
    return tuple(shares)


def speaker_load_ohm(speaker: Speaker) -> float:
    """Load of one speaker at its terminals [ohm], its coils joined as it says.

    A two-coil speaker left at "single" has one coil in use.
    """
    if speaker.coils == 1 or speaker.coil_joining == "single":
        return speaker.impedance_ohm
    return join_ohm(
        (speaker.impedance_ohm,) * speaker.coils,
        speaker.coil_joining,
        f"speakers.{speaker.id}.coil_joining",
    )


def speaker_loads_ohm(speakers: Mapping[str, Speaker], channel: Channel) -> tuple[float, ...]:
    """Load of each speaker on the channel [ohm], in order. Raises LoadError on an unknown one."""
    found: list[float] = []
    for speaker_id in channel.speakers:
        speaker = speakers.get(speaker_id)
        if speaker is None:
            raise LoadError(
                f"channels.{channel.id}.speakers", f"the plan has no speaker {speaker_id!r}"
            )
        found.append(speaker_load_ohm(speaker))
    return tuple(found)


def channel_load_ohm(speakers: Mapping[str, Speaker], channel: Channel) -> float:
    """Load the channel, or the bridged pair, sees [ohm]. Raises LoadError."""
    return join_ohm(
        speaker_loads_ohm(speakers, channel), channel.joining, f"channels.{channel.id}.joining"
    )


class MinimumLoad(NamedTuple):
    """Lowest load allowed [ohm]; `derived` when taken as twice the single-channel minimum."""

    load_ohm: float
    derived: bool


def minimum_load(device: Device, bridged: bool) -> MinimumLoad | None:
    """Lowest load the device allows on a channel or on a bridged pair, None when not stated.

    Each channel of a bridged pair drives half the load, so without a figure for the pair its
    minimum is twice that of a channel.
    """
    if not bridged:
        return None if device.min_load_ohm is None else MinimumLoad(device.min_load_ohm, False)
    if device.min_load_bridged_ohm is not None:
        return MinimumLoad(device.min_load_bridged_ohm, False)
    return None if device.min_load_ohm is None else MinimumLoad(2 * device.min_load_ohm, True)


class ChannelPower(NamedTuple):
    """Power a channel (or pair) can put into its load [W], and how it was reached."""

    power_w: float
    how: str


def power_into(device: Device, load_ohm: float, bridged: bool) -> ChannelPower | None:
    """Rated power into a load [W], None when the device has no figure to go by.

    A rating for the very load is used as it stands. Between two ratings the power is the lower
    of two upper bounds: the voltage of the rating at the higher load, and the current of the one
    at the lower load. Outside the ratings the voltage of the nearest one is kept, so that the
    current of an overloaded channel is not understated. A bridged pair without ratings of its
    own is two channels, each into half the load.
    """
    if not load_ohm > 0:
        raise LoadError("load_ohm", f"a load of {load_ohm:g} ohm is not above 0")
    above: tuple[float, float] | None = None
    below: tuple[float, float] | None = None
    for rating in device.ratings:
        if rating.bridged is not bridged:
            continue
        if abs(rating.load_ohm - load_ohm) <= 0.001 * load_ohm:
            return ChannelPower(rating.power_w, f"rated {rating.power_w:g} W into {load_ohm:g} ohm")
        if rating.load_ohm > load_ohm:
            if above is None or rating.load_ohm < above[0]:
                above = (rating.load_ohm, rating.power_w)
        elif below is None or rating.load_ohm > below[0]:
            below = (rating.load_ohm, rating.power_w)
    if above is not None:
        by_voltage = above[1] * above[0] / load_ohm
        if below is not None:
            by_current = below[1] * load_ohm / below[0]
            if by_current < by_voltage:
                return ChannelPower(by_current, f"current of {below[1]:g} W into {below[0]:g} ohm")
        return ChannelPower(by_voltage, f"voltage of {above[1]:g} W into {above[0]:g} ohm")
    if below is not None:
        by_voltage = below[1] * below[0] / load_ohm
        return ChannelPower(by_voltage, f"voltage of {below[1]:g} W into {below[0]:g} ohm")
    if bridged:
        half = power_into(device, load_ohm / 2, False)
        if half is not None:
            return ChannelPower(2 * half.power_w, f"two channels, each into half: {half.how}")
    return None
