"""Loads: what a channel sees, how the power divides, what a channel can put into it.

Nominal impedances are treated as resistances, as ratings are (common practice): a real driver's
impedance varies with frequency and dips under its nominal value by up to 20 % (IEC 60268-5:2003,
16.1, from memory).
"""

from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np

from wiring import series_parallel
from wiring.errors import WiringError, require_positive
from wiring.filters import passive
from wiring.filters.crossovers import CrossoverError, analogue_response, stated_corners
from wiring.plan import Channel, Device, Joining, Passive, Speaker


class LoadError(WiringError):
    """A load cannot be formed; `field` says which entry to mend, the message why."""


def _require_load(field: str, load_ohm: float) -> None:
    try:
        require_positive(field, load_ohm, "ohm")
    except WiringError as error:
        raise LoadError(field, f"a load of {error.reason}") from None


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
        _require_load(field, load)
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
    loads_ohm: list[float] = []
    for speaker_id in channel.speakers:
        speaker = speakers.get(speaker_id)
        if speaker is None:
            raise LoadError(
                f"channels.{channel.id}.speakers", f"the plan has no speaker {speaker_id!r}"
            )
        loads_ohm.append(speaker_load_ohm(speaker))
    return tuple(loads_ohm)


NOMINAL_DIP: Final = 0.8
"""How far an impedance may dip under its nominal value: IEC 60268-5:2003, 16.1, from memory."""


class PassiveSet(NamedTuple):
    """Speakers behind passive parts as the load of one channel.

    `load_ohm` is what the set counts as, `lowest_ohm` its lowest impedance and `lowest_hz` where
    (both as the load when the maker states it). `shares` are, in order, the highest part of the
    channel's power that each speaker gets at any frequency; each has its own band, so they may
    add up to more than 1.
    """

    load_ohm: float
    lowest_ohm: float
    lowest_hz: float
    stated: bool
    shares: tuple[float, ...]

    @property
    def how(self) -> str:
        """How the load was reached, in words."""
        if self.stated:
            return "as the maker of the passive crossover states"
        return f"lowest impedance {self.lowest_ohm:.3g} ohm at {self.lowest_hz:.0f} Hz"


def has_passive(speakers: Mapping[str, Speaker], channel: Channel) -> bool:
    """Whether a speaker of the channel has passive parts before it."""
    return any(one in speakers and speakers[one].passive is not None for one in channel.speakers)


def passive_set(speakers: Mapping[str, Speaker], channel: Channel) -> PassiveSet | None:
    """The channel's speakers behind their passive parts, None where none has any.

    A set counts as the lowest nominal load of its drivers while its impedance dips no more than
    20 % under it, else as its lowest impedance; the load its maker states comes first. Of a
    branch of which only the corners are known, the power it takes at each frequency counts, as
    of a network without losses: |H|^2 / R. Raises LoadError where the branches do not stand side
    by side.
    """
    if not has_passive(speakers, channel):
        return None
    loads = speaker_loads_ohm(speakers, channel)
    if len(loads) > 1 and channel.joining != "parallel":
        raise LoadError(
            f"channels.{channel.id}.joining",
            "the branches of a passive crossover stand side by side: join them in parallel",
        )
    branches = tuple(
        (speakers[one].passive, load) for one, load in zip(channel.speakers, loads, strict=True)
    )
    try:
        lowest_ohm, lowest_hz, gains = _side_by_side(branches)
    except CrossoverError as error:
        raise LoadError(f"channels.{channel.id}.speakers", error.reason) from None
    nominal = min(loads)
    near = NOMINAL_DIP * nominal <= lowest_ohm <= 1.001 * nominal
    load = channel.stated_load_ohm or (nominal if near else lowest_ohm)
    shares = tuple(load / own * gain**2 for own, gain in zip(loads, gains, strict=True))
    return PassiveSet(load, lowest_ohm, lowest_hz, channel.stated_load_ohm is not None, shares)


_SPREAD: Final = np.geomspace(20.0, 20_000.0, 241)
_SPREAD.flags.writeable = False


@lru_cache(maxsize=512)
def _side_by_side(
    branches: tuple[tuple[Passive | None, float], ...],
) -> tuple[float, float, tuple[float, ...]]:
    """Lowest impedance [ohm], where [Hz], and each driver's highest voltage over the channel's."""
    admittance = np.zeros(_SPREAD.size, dtype=np.complex128)
    gains = []
    for own, load in branches:
        if own is not None and own.parts:
            solved = passive.solve(own.parts, load, _SPREAD)
            admittance += 1 / solved.impedance_ohm
            gains.append(float(np.abs(solved.gain).max()))
            continue
        level = np.ones(_SPREAD.size)
        for crossover, direction in stated_corners(own):
            level = level * np.abs(analogue_response(crossover, direction, _SPREAD))
        admittance += level**2 / load
        gains.append(float(level.max()))
    impedance = 1 / np.abs(admittance)
    lowest = int(np.argmin(impedance))
    return float(impedance[lowest]), float(_SPREAD[lowest]), tuple(gains)


def channel_load_ohm(speakers: Mapping[str, Speaker], channel: Channel) -> float:
    """Load the channel, or the bridged pair, sees [ohm]. Raises LoadError."""
    behind = passive_set(speakers, channel)
    if behind is not None:
        return behind.load_ohm
    return join_ohm(
        speaker_loads_ohm(speakers, channel), channel.joining, f"channels.{channel.id}.joining"
    )


def channel_shares(speakers: Mapping[str, Speaker], channel: Channel) -> tuple[float, ...]:
    """Part of the channel's power that each of its speakers gets, in order. Raises LoadError.

    Behind a passive crossover the highest part at any frequency: see `PassiveSet`.
    """
    behind = passive_set(speakers, channel)
    if behind is not None:
        return behind.shares
    return power_shares(speaker_loads_ohm(speakers, channel), channel.joining)


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
    _require_load("load_ohm", load_ohm)
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


MAX_DRIVERS: Final = 4


class Arrangement(NamedTuple):
    """One way to join the coils of some drivers.

    `coil_shares` is each coil's share of the power, left to right in the tree; the first coils
    belong to the first driver, and so on. `coil_joining` and `joining` say the same in the plan's
    terms, None where the plan has no words for it.
    """

    tree: series_parallel.Tree
    drivers: int
    coils: int
    coil_ohm: float
    load_ohm: float
    coil_shares: tuple[float, ...]
    equal: bool
    coil_joining: Joining | None
    joining: Joining | None

    @property
    def words(self) -> str:
        """The arrangement in words."""
        if self.coils == 1:
            return series_parallel.words(self.tree, "driver", "drivers")
        return series_parallel.words(self.tree)


def arrangements(
    drivers: int, coils: int, coil_ohm: float, *, equal_only: bool = True
) -> tuple[Arrangement, ...]:
    """Every distinct series and parallel arrangement of identical coils, lowest load first.

    `equal_only` leaves out those in which some coil gets more power than another, which drive
    identical drivers unevenly. Raises LoadError outside 1 to 4 drivers, 1 or 2 coils, or a coil
    not above 0 ohm.
    """
    if not 1 <= drivers <= MAX_DRIVERS:
        raise LoadError("drivers", f"{drivers} is outside 1 to {MAX_DRIVERS}")
    if coils not in (1, 2):
        raise LoadError("coils", f"{coils} is neither 1 nor 2")
    _require_load("coil_ohm", coil_ohm)
    terms = _plan_terms(drivers, coils)
    arranged: list[Arrangement] = []
    for tree in series_parallel.trees(drivers * coils):
        shares = series_parallel.shares(tree)
        equal = len(set(shares)) == 1
        if equal or not equal_only:
            coil_joining, joining = terms.get(tree, (None, None))
            arranged.append(
                Arrangement(
                    tree,
                    drivers,
                    coils,
                    coil_ohm,
                    coil_ohm * float(series_parallel.resistance(tree)),
                    tuple(float(share) for share in shares),
                    equal,
                    coil_joining,
                    joining,
                )
            )
    arranged.sort(key=lambda each: (each.load_ohm, each.joining is None))
    return tuple(arranged)


def _plan_terms(
    drivers: int, coils: int
) -> dict[series_parallel.Tree, tuple[Joining | None, Joining | None]]:
    """The arrangements a plan can say: coils joined alike, then the drivers joined."""
    terms: dict[series_parallel.Tree, tuple[Joining | None, Joining | None]] = {}
    leaf = series_parallel.LEAF
    grown: list[tuple[Joining, series_parallel.Tree]] = [("single", leaf)]
    if coils == 2:
        grown = [
            ("series", series_parallel.joined("series", (leaf, leaf))),
            ("parallel", series_parallel.joined("parallel", (leaf, leaf))),
        ]
    for coil_joining, driver in grown:
        if drivers == 1:
            terms.setdefault(driver, (coil_joining, "single"))
            continue
        terms.setdefault(
            series_parallel.joined("parallel", (driver,) * drivers), (coil_joining, "parallel")
        )
        terms.setdefault(
            series_parallel.joined("series", (driver,) * drivers), (coil_joining, "series")
        )
        if drivers == 4:
            pair = series_parallel.joined("series", (driver, driver))
            terms.setdefault(
                series_parallel.joined("parallel", (pair, pair)),
                (coil_joining, "series_parallel"),
            )
    return terms


def planned_arrangement(speakers: Mapping[str, Speaker], channel: Channel) -> Arrangement | None:
    """How the plan joins a channel's coils, None where there is nothing to join or to draw.

    Nothing to draw: one coil in use, drivers that differ, or more of them than is answered for.
    A two-coil speaker left at "single" has one coil in use.
    """
    drivers = [speakers[one] for one in channel.speakers if one in speakers]
    kinds = {(one.coils, one.impedance_ohm, one.coil_joining) for one in drivers}
    if len(kinds) != 1 or len(drivers) != len(channel.speakers):
        return None
    if any(one.passive is not None for one in drivers):
        return None
    coils, coil_ohm, coil_joining = kinds.pop()
    if coil_joining == "single":
        coils = 1
    if len(drivers) * coils < 2 or len(drivers) > MAX_DRIVERS:
        return None
    wanted = (coil_joining, channel.joining if len(drivers) > 1 else "single")
    return next(
        (
            one
            for one in arrangements(len(drivers), coils, coil_ohm)
            if (one.coil_joining, one.joining) == wanted
        ),
        None,
    )


class Fit(NamedTuple):
    """An arrangement on a channel or bridged pair of a device.

    `channels` are the channel numbers. `suits` is None when the device gives no minimum load.
    Powers are None without a rating to go by; `coil_power_w` is that of the hardest driven coil.
    """

    channels: tuple[int, ...]
    minimum_ohm: float | None
    suits: bool | None
    power_w: float | None
    coil_power_w: float | None
    how: str


def fits(arrangement: Arrangement, device: Device) -> tuple[Fit, ...]:
    """The arrangement on each channel and each bridgeable pair of a device."""
    places: list[tuple[int, ...]] = [
        (number,) for number in range(1, device.amplifier_channels + 1)
    ]
    places += [tuple(sorted(pair)) for pair in device.bridgeable]
    fitting: list[Fit] = []
    for place in places:
        bridged = len(place) == 2
        least = minimum_load(device, bridged)
        power = power_into(device, arrangement.load_ohm, bridged)
        fitting.append(
            Fit(
                place,
                None if least is None else least.load_ohm,
                None if least is None else arrangement.load_ohm >= least.load_ohm * 0.999,
                None if power is None else power.power_w,
                None if power is None else power.power_w * max(arrangement.coil_shares),
                "no rating to go by" if power is None else power.how,
            )
        )
    return tuple(fitting)
