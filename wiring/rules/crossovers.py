"""Rules about filters: drivers protected, and drivers of one position that meet."""

from collections.abc import Iterator
from functools import lru_cache
from typing import Final, NamedTuple

from wiring.channels.signal_path import chain_filters, driven, meetings
from wiring.context import Context, rule
from wiring.filters.crossovers import chain_level_db, crossing, describe, exists, level_db, slope_db
from wiring.findings import Figure, Finding
from wiring.names import channel_name, kind_name, speaker_name
from wiring.plan import Channel, Crossover, Speaker

Filters = tuple[Crossover, ...]

COMMON_PRACTICE: Final = "common practice, no source"
FILTER_SUM: Final = "Butterworth, Linkwitz-Riley and Bessel amplitude responses, analogue"


class Assumed(NamedTuple):
    """A lowest safe high-pass taken where the maker's figure is not on record."""

    frequency_hz: float
    order: int


ASSUMED_HIGH_PASS: Final[dict[str, Assumed]] = {
    "tweeter": Assumed(2000.0, 2),
    "midrange": Assumed(200.0, 2),
}
_MUST_HAVE: Final = frozenset({"tweeter", "midrange"})
NO_GAP_BELOW_HZ: Final = 20.0
_ROUNDING_DB: Final = 0.01


@lru_cache(maxsize=4096)
def protects(filters: Filters, frequency_hz: float, order: int) -> bool:
    """Whether filters in a row protect at least as a Butterworth high-pass of the given corner.

    One filter of that order and corner or above is enough; else all together must leave no more
    than that filter would at the corner and one and two octaves below.
    """
    if any(f.order >= order and f.frequency_hz >= frequency_hz for f in filters):
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
    sources=("S. Linkwitz, J. Audio Eng. Soc. 24 (1976): two equal filters in a row",),
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
                    "S. Linkwitz, J. Audio Eng. Soc. 24 (1976): two equal filters in a row",
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

    All filters on the way count, in a device that feeds the amplifier too; of several ways the
    weakest decides. Without the maker's figure 2000 Hz is assumed for a tweeter and 200 Hz for a
    midrange, 12 dB per octave, and falling short of that is a caution only.
    """
    for channel, speaker in driven(context):
        limit = speaker.min_high_pass_hz
        if limit is None and speaker.kind not in _MUST_HAVE:
            continue
        if limit is None:
            wanted, order = ASSUMED_HIGH_PASS[speaker.kind]
        else:
            wanted, order = limit, speaker.min_high_pass_order
        for filters in chain_filters(context, channel, "high_pass"):
            if not protects(filters, wanted, order):
                yield _unprotected(context, channel, speaker, filters, Assumed(wanted, order))
                break


def _unprotected(
    context: Context, channel: Channel, speaker: Speaker, filters: Filters, wanted: Assumed
) -> Finding:
    stated = speaker.min_high_pass_hz is not None
    has = " then ".join(describe(each) for each in filters) if filters else "no high-pass"
    tweeter = speaker.kind == "tweeter"
    grave = (tweeter and (stated or not filters)) or (speaker.kind == "midrange" and stated)
    source = "the speaker maker's data" if stated else f"{COMMON_PRACTICE} (no maker's figure)"
    below = wanted.frequency_hz / 2
    level = chain_level_db(filters, "high_pass", below)
    needed = level_db(
        Crossover("butterworth", wanted.order, wanted.frequency_hz), "high_pass", below
    )
    return Finding(
        "driver-high-pass",
        "stop" if grave else "caution",
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
        for filters in chain_filters(context, channel, "low_pass"):
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


@rule("crossover-match", "tuning", "caution", sources=(COMMON_PRACTICE, FILTER_SUM))
def crossover_match(context: Context) -> Iterator[Finding]:
    """Neighbouring drivers of one position neither leave a gap nor double each other.

    Judged where the two filters leave the same level: there the in-phase sum is 0 dB for
    Linkwitz-Riley and +3 dB for Butterworth at one corner. Further from 0 than the shop's limit
    is a caution. Drivers' own responses and levels are left out; the tuning shows them.
    """
    for low, lower, high, upper in meetings(context):
        yield from _meeting(context, low, lower, high, upper)


def _meeting(
    context: Context, low: Channel, lower: Speaker, high: Channel, upper: Speaker
) -> Iterator[Finding]:
    low_pass = chain_filters(context, low, "low_pass")[0]
    high_pass = chain_filters(context, high, "high_pass")[0]
    if not high_pass:
        if upper.kind not in _MUST_HAVE and low_pass:
            yield _overlap(low, lower, high, upper, f"the {kind_name(upper)} has no high-pass")
        return
    if not low_pass:
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
    yield Finding(
        "crossover-match",
        "caution",
        f"{what.capitalize()} of {abs(together):.1f} dB at {where.frequency_hz:.0f} Hz between the "
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
