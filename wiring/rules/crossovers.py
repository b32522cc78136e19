"""Rules about filters: drivers protected, and drivers of one position that meet."""

import math
from collections.abc import Iterator
from functools import lru_cache
from typing import Final, NamedTuple

from wiring.channels.signal_path import Meeting, chain_filters, driven, meetings, path_filters
from wiring.context import Context, rule
from wiring.filters.crossovers import (
    Filter,
    chain_level_db,
    crossing,
    describe,
    exists,
    level_db,
    slope_db,
)
from wiring.findings import Figure, Finding
from wiring.names import channel_name, frequency_name, kind_name, speaker_name
from wiring.plan import Channel, Crossover, Setting, Speaker

Filters = tuple[Filter, ...]

COMMON_PRACTICE: Final = "common practice, no source"
FILTER_SUM: Final = (
    "amplitude responses of Butterworth (1930), Bessel (Thomson 1949) and Linkwitz-Riley (1976) "
    "filters, analogue; passive parts by Kirchhoff's laws"
)
LINKWITZ: Final = "S. Linkwitz, J. Audio Eng. Soc. 24 (1976): two equal filters in a row"


class Assumed(NamedTuple):
    """A lowest safe high-pass taken where the maker's figure is not on record."""

    frequency_hz: float
    order: int


ASSUMED_HIGH_PASS: Final[dict[str, Assumed]] = {
    "tweeter": Assumed(2000.0, 2),
    "midrange": Assumed(200.0, 2),
}
NO_TWEETER_BELOW_HZ: Final = 500.0
TWEETER_ORDER: Final = 2
AS_RESISTANCE: Final = "behind passive parts the driver is taken as a resistance"
_MUST_HAVE: Final = frozenset({"tweeter", "midrange"})
NO_GAP_BELOW_HZ: Final = 20.0
NOTHING_DB: Final = 40.0
"""A loss beyond this is told in words: nothing of it can be heard."""
_ROUNDING_DB: Final = 0.01
NOTHING_SET: Final = Setting()


def untouched(channel: Channel) -> bool:
    """Nobody has set anything on the channel yet."""
    return channel.setting == NOTHING_SET


@lru_cache(maxsize=4096)
def protects(filters: Filters, frequency_hz: float, order: int) -> bool:
    """Whether filters in a row protect at least as a Butterworth high-pass of the given corner.

    One filter of that order and corner or above is enough, passive parts with known values apart;
    else all together must leave no more than that filter would at the corner and one and two
    octaves below.
    """
    if any(
        isinstance(f, Crossover) and f.order >= order and f.frequency_hz >= frequency_hz
        for f in filters
    ):
        return True
    if not filters:
        return False
    wanted = Crossover("butterworth", order, frequency_hz)
    return all(
        chain_level_db(filters, "high_pass", at) <= level_db(wanted, "high_pass", at) + _ROUNDING_DB
        for at in (frequency_hz, frequency_hz / 2, frequency_hz / 4)
    )


@rule(
    "filter-not-possible",
    "tuning",
    "caution",
    sources=(LINKWITZ,),
)
def filter_not_possible(context: Context) -> Iterator[Finding]:
    """A filter that does not exist: Linkwitz-Riley slopes come in steps of 12 dB per octave."""
    for channel in context.plan.channels:
        setting = channel.setting
        for crossover in (setting.high_pass, setting.low_pass):
            if crossover is not None and not exists(crossover.family, crossover.order):
                yield Finding(
                    "filter-not-possible",
                    "caution",
                    f"{channel_name(context, channel)}: {describe(crossover)} does not exist",
                    (channel.id,),
                    "Read the slope again: 12, 24, 36 or 48 dB per octave, or another family.",
                    LINKWITZ,
                )


@rule(
    "driver-high-pass",
    "tuning",
    "stop",
    "caution",
    sources=(COMMON_PRACTICE, "the speaker maker's data"),
)
def driver_high_pass(context: Context) -> Iterator[Finding]:
    """Tweeters, midranges and every driver with a stated limit are kept from low notes.

    All filters on the way count, in a device that feeds the amplifier and in passive parts too; of
    several ways the weakest decides. Without the maker's figure 2000 Hz is assumed for a tweeter
    and 200 Hz for a midrange, 12 dB per octave; falling short of that is a caution, for a tweeter
    an octave below it a stop. Under 500 Hz no tweeter is meant to play, whatever figure is on
    record.
    """
    for channel, speaker in driven(context):
        stated = speaker.min_high_pass_hz
        if stated is None and speaker.kind not in _MUST_HAVE:
            continue
        if stated is None:
            wanted = ASSUMED_HIGH_PASS[speaker.kind]
        else:
            wanted = Assumed(stated, speaker.min_high_pass_order)
        if speaker.kind == "tweeter" and wanted.frequency_hz < NO_TWEETER_BELOW_HZ:
            wanted = Assumed(NO_TWEETER_BELOW_HZ, max(wanted.order, TWEETER_ORDER))
        for filters in chain_filters(context, channel, "high_pass", speaker):
            if not protects(filters, *wanted):
                yield _unprotected(context, channel, speaker, filters, wanted)
                break


def _grave(speaker: Speaker, filters: Filters) -> bool:
    """Whether what is missing may destroy the driver."""
    if speaker.min_high_pass_hz is not None:
        return speaker.kind in _MUST_HAVE
    if speaker.kind != "tweeter":
        return False
    floor = ASSUMED_HIGH_PASS["tweeter"]
    return not protects(filters, floor.frequency_hz / 2, floor.order)


def _unprotected(
    context: Context, channel: Channel, speaker: Speaker, filters: Filters, wanted: Assumed
) -> Finding:
    stated = speaker.min_high_pass_hz
    has = " then ".join(describe(each) for each in filters) if filters else "no high-pass"
    if stated is None:
        source = f"{COMMON_PRACTICE} (no maker's figure)"
    elif stated < wanted.frequency_hz:
        source = f"{COMMON_PRACTICE}; {stated:g} Hz on record is no figure of a tweeter"
    else:
        source = "the speaker maker's data"
    below = wanted.frequency_hz / 2
    level = chain_level_db(filters, "high_pass", below)
    needed = level_db(
        Crossover("butterworth", wanted.order, wanted.frequency_hz), "high_pass", below
    )
    return Finding(
        "driver-high-pass",
        "stop" if _grave(speaker, filters) else "caution",
        f"The {speaker_name(speaker)} is not protected: {has}, needs "
        f"{wanted.frequency_hz:g} Hz at {slope_db(wanted.order)} dB/oct or more",
        (channel.id, speaker.id),
        "Set the high-pass before any sound is played, here or in the device that feeds it.",
        source,
        (
            Figure(
                "Level one octave below the limit",
                level,
                "dB",
                "sum of the levels of all high-passes on the way",
                f"at {below:g} Hz; wanted {needed:.1f} dB or less",
                FILTER_SUM,
                () if speaker.passive is None else (AS_RESISTANCE,),
            ),
        ),
        detail=f"On {channel_name(context, channel)}.",
    )


@rule("driver-low-pass", "tuning", "caution", sources=(COMMON_PRACTICE, "the speaker maker's data"))
def driver_low_pass(context: Context) -> Iterator[Finding]:
    """A subwoofer has a low-pass, and a stated upper limit is kept."""
    for channel, speaker in driven(context):
        limit = speaker.max_low_pass_hz
        if speaker.kind != "subwoofer" and limit is None:
            continue
        for filters in chain_filters(context, channel, "low_pass", speaker):
            lowest = min((each.frequency_hz for each in filters), default=None)
            if lowest is not None and (limit is None or lowest <= limit):
                continue
            has = "no low-pass" if lowest is None else f"a low-pass at {lowest:g} Hz"
            wanted = "" if limit is None else f", at most {limit:g} Hz is meant for it"
            yield Finding(
                "driver-low-pass",
                "caution",
                f"The {speaker_name(speaker)} has {has}{wanted}",
                (channel.id, speaker.id),
                "Set the low-pass here or in the device that feeds it.",
                COMMON_PRACTICE if limit is None else "the speaker maker's data",
            )
            break


@rule("band-empty", "tuning", "stop", sources=(FILTER_SUM,))
def band_empty(context: Context) -> Iterator[Finding]:
    """A high-pass above the low-pass on the way to one driver: hardly anything is played."""
    for channel, speaker in driven(context):
        high_passes = path_filters(context, channel, "high_pass", speaker)
        low_passes = path_filters(context, channel, "low_pass", speaker)
        if high_passes and low_passes:
            bottom = max(high_passes, key=lambda each: each.frequency_hz)
            top = min(low_passes, key=lambda each: each.frequency_hz)
            if bottom.frequency_hz < top.frequency_hz:
                continue
            middle = math.sqrt(bottom.frequency_hz * top.frequency_hz)
            left = level_db(bottom, "high_pass", middle) + level_db(top, "low_pass", middle)
            yield Finding(
                "band-empty",
                "stop",
                f"The {speaker_name(speaker)} gets hardly anything: its high-pass at "
                f"{frequency_name(bottom.frequency_hz)} is not below its low-pass at "
                f"{frequency_name(top.frequency_hz)}",
                (channel.id, speaker.id),
                "Read both corners again, here and in the device that feeds it: they may be "
                "swapped.",
                FILTER_SUM,
                (
                    Figure(
                        "Level between the corners",
                        left,
                        "dB",
                        "high-pass + low-pass",
                        f"{describe(bottom)} and {describe(top)} at {frequency_name(middle)}",
                        FILTER_SUM,
                    ),
                ),
            )


@rule("crossover-match", "tuning", "caution", sources=(COMMON_PRACTICE, FILTER_SUM))
def crossover_match(context: Context) -> Iterator[Finding]:
    """Drivers that share a band, subwoofer and front too, leave no gap and do not double up.

    Judged where the two filters leave the same level: there the in-phase sum is 0 dB for
    Linkwitz-Riley and +3 dB for Butterworth at one corner. Further from 0 than the shop's limit
    is a caution. Drivers' own responses and levels are left out; the tuning shows them.
    """
    for meeting in meetings(context):
        yield from _meeting(context, meeting)


def _meeting(context: Context, meeting: Meeting) -> Iterator[Finding]:
    low, lower, high, upper = meeting
    low_pass, high_pass = meeting.filters(context)
    waiting = context.plan.unfinished
    if not high_pass:
        if upper.kind not in _MUST_HAVE and low_pass and not (waiting and untouched(high)):
            yield _overlap(low, lower, high, upper, f"the {kind_name(upper)} has no high-pass")
        return
    if not low_pass:
        if not (waiting and untouched(low)):
            yield _overlap(low, lower, high, upper, f"the {kind_name(lower)} has no low-pass")
        return
    where = crossing(low_pass, high_pass)
    if where is None or where.frequency_hz < NO_GAP_BELOW_HZ:
        return
    limit = context.plan.assumptions.crossover_gap_db
    together = where.in_phase_sum_db
    if abs(together) <= limit:
        return
    what = "gap" if together < 0 else "overlap"
    by = f"of {abs(together):.1f} dB" if together > -NOTHING_DB else "so wide that nothing is left"
    yield Finding(
        "crossover-match",
        "caution",
        f"{what.capitalize()} {by} at {where.frequency_hz:.0f} Hz between the "
        f"{speaker_name(lower)} and the {speaker_name(upper)}",
        (low.id, high.id, lower.id, upper.id),
        f"Move the corners {'together' if together < 0 else 'apart'}, or give the reason.",
        FILTER_SUM,
        (
            Figure(
                "In-phase sum where they cross",
                together,
                "dB",
                "level of each there + 6.02 dB",
                f"low-pass {_all(low_pass)}, high-pass {_all(high_pass)}: each "
                f"{where.level_db:.1f} dB at {where.frequency_hz:.0f} Hz",
                FILTER_SUM,
                ("drivers taken as flat and equally loud", f"the shop's limit is {limit:g} dB"),
            ),
        ),
    )


def _all(filters: Filters) -> str:
    return " then ".join(describe(each) for each in filters)


def _overlap(low: Channel, lower: Speaker, high: Channel, upper: Speaker, why: str) -> Finding:
    return Finding(
        "crossover-match",
        "caution",
        f"The {speaker_name(lower)} and the {speaker_name(upper)} play the same band: {why}",
        (low.id, high.id, lower.id, upper.id),
        "Set the missing filter, or say that the driver rolls off by itself.",
        COMMON_PRACTICE,
    )
