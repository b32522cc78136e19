"""What measured arrivals, polarities and levels ask for.

Limits here are common practice without a source.
"""

from collections.abc import Mapping, Sequence
from typing import Any, Final, Literal

import msgspec
import numpy as np

from wiring.channels.heard import place_apart
from wiring.errors import WiringError, require_finite, require_not_negative, require_positive
from wiring.measure.sums import ChannelHeard
from wiring.measure.take import Polarity
from wiring.plan import HeardSide, HeardZone
from wiring.positions import Side
from wiring.tuning.measurements import Measurement, bands

TAPE_AGREES_MS: Final = 0.15
"""Five centimetres of way: a tape is held no better between a cone and an ear."""
MATCHED_DB: Final = 0.5
"""Two sides of a pair sound alike in level from here."""


class DelayWanted(msgspec.Struct, frozen=True):
    """Delay of one speaker so that all arrive together.

    `measured_ms` follows from the arrivals, `tape_ms` from tape-measured distances where these are
    known; `apart_ms` is how much more the sound asks for than the tape. `agrees` is None without a
    tape. The arrival is uncertain by `uncertain_ms`: where the tape is no further off, the tape
    says more, and `wanted_ms` is its delay.
    """

    id: str
    arrival_ms: float
    measured_ms: float
    uncertain_ms: float
    tape_ms: float | None
    apart_ms: float | None
    agrees: bool | None
    wanted_ms: float
    by: Literal["arrival", "tape"]
    said: str


def propose_delays(
    arrivals_ms: Mapping[str, float],
    tape_ms: Mapping[str, float] | None = None,
    uncertain_ms: Mapping[str, float] | None = None,
    standing_ms: Mapping[str, float] | None = None,
) -> tuple[DelayWanted, ...]:
    """Delays that make all speakers arrive with the latest of them, by measured arrivals [ms].

    `tape_ms` holds the delays that tape-measured distances ask for, laid beside; `standing_ms`
    the delays that were set while it was measured, which the arrivals hold already. Raises
    WiringError on none, or on what is no number.
    """
    if not arrivals_ms:
        raise WiringError("arrivals_ms", "no arrival was measured yet")
    for name, given in (("arrivals_ms", arrivals_ms), ("tape_ms", tape_ms or {})):
        for key, value in given.items():
            require_finite(f"{name}.{key}", value, "ms")
    for name, given in (("uncertain_ms", uncertain_ms or {}), ("standing_ms", standing_ms or {})):
        for key, value in given.items():
            require_not_negative(f"{name}.{key}", value, "ms")
    own = {key: value - (standing_ms or {}).get(key, 0.0) for key, value in arrivals_ms.items()}
    latest = max(own.values())
    shared = [key for key in own if key in (tape_ms or {})]
    shift = _shift({key: latest - own[key] for key in shared}, tape_ms or {})
    found = [
        _wanted(
            key,
            arrivals_ms[key],
            latest - value,
            (uncertain_ms or {}).get(key, 0.0),
            (tape_ms or {})[key] + shift if key in shared else None,
        )
        for key, value in own.items()
    ]
    early = min(one.wanted_ms for one in found)
    return tuple(msgspec.structs.replace(one, wanted_ms=one.wanted_ms - early) for one in found)


def _shift(measured: Mapping[str, float], tape: Mapping[str, float]) -> float:
    """Both lists count from a latest speaker of their own: by how much one is moved so that most
    of them agree."""
    if not measured:
        return 0.0
    return float(np.median([value - tape[key] for key, value in measured.items()]))


def _wanted(
    key: str, arrival_ms: float, measured_ms: float, uncertain_ms: float, tape_ms: float | None
) -> DelayWanted:
    if tape_ms is None:
        said = f"{measured_ms:.2f} ms by the measured arrival."
        known = (key, arrival_ms, measured_ms, uncertain_ms)
        return DelayWanted(*known, None, None, None, measured_ms, "arrival", said)
    apart = measured_ms - tape_ms
    agrees = abs(apart) <= TAPE_AGREES_MS + uncertain_ms
    by_tape = abs(apart) <= uncertain_ms
    if by_tape:
        said = (
            f"{measured_ms:.2f} ms by the measured arrival, {tape_ms:.2f} ms by the tape: an "
            f"arrival of this band is uncertain by {uncertain_ms:.2f} ms, the tape counts."
        )
    elif agrees:
        said = (
            f"{measured_ms:.2f} ms by the measured arrival, {tape_ms:.2f} ms by the tape: "
            "they agree."
        )
    else:
        said = (
            f"{measured_ms:.2f} ms by the measured arrival, {tape_ms:.2f} ms by the tape. The "
            f"sound arrives {abs(apart):.2f} ms {'earlier' if apart > 0 else 'later'} than the "
            "tape says: look whether the distance was measured to this speaker, whether another "
            "delay is still set, and whether the first sound comes by a reflection."
        )
    return DelayWanted(
        key,
        arrival_ms,
        measured_ms,
        uncertain_ms,
        tape_ms,
        apart,
        agrees,
        tape_ms if by_tape else measured_ms,
        "tape" if by_tape else "arrival",
        said,
    )


class PolarityVerdict(msgspec.Struct, frozen=True):
    """Whether the measured polarity of a speaker is what its wiring and settings make it."""

    id: str
    expected: Polarity
    measured: Polarity
    verdict: Literal["proved", "contradicted", "unclear"]
    said: str


def judge_polarity(
    measured: Mapping[str, Polarity], inverted: Mapping[str, bool]
) -> tuple[PolarityVerdict, ...]:
    """Measured polarity against what is set: `inverted` says of each speaker whether its channel
    or its wiring turns it round on purpose.

    A measuring chain may turn everything round: when all speakers that could be told are the other
    way, that is said of the chain and of no speaker.
    """
    told = {key: value for key, value in measured.items() if value != "unclear"}
    wanted: dict[str, Polarity] = {
        key: "inverted" if inverted.get(key, False) else "normal" for key in measured
    }
    chain = len(told) > 1 and all(value != wanted[key] for key, value in told.items())
    return tuple(_judged(key, value, wanted[key], chain) for key, value in measured.items())


def _judged(key: str, value: Polarity, wanted: Polarity, chain: bool) -> PolarityVerdict:
    if value == "unclear":
        said = "The polarity could not be told: measure nearer to the speaker, or with a meter."
        return PolarityVerdict(key, wanted, value, "unclear", said)
    if chain:
        said = (
            "Every speaker is the other way round than set: it is the microphone, the player or "
            "the factory amplifier that turns them. Relative to each other they are right."
        )
        return PolarityVerdict(key, wanted, value, "proved", said)
    if value == wanted:
        return PolarityVerdict(key, wanted, value, "proved", f"Measured {value}, as set.")
    said = (
        f"Measured {value} where the settings make it {wanted}: look for plus and minus "
        "exchanged at the speaker or the amplifier before anything is inverted in the processor."
    )
    return PolarityVerdict(key, wanted, value, "contradicted", said)


class PairMatch(msgspec.Struct, frozen=True):
    """Level of two speakers of a pair over the band both play: how far the first is over the
    second, and how much each is to be changed so that neither is raised."""

    first: str
    second: str
    over_db: float
    first_change_db: float
    second_change_db: float
    low_hz: float
    high_hz: float
    matched: bool
    said: str


def match_levels(
    first: str,
    second: str,
    curves: tuple[Measurement, Measurement],
    low_hz: float,
    high_hz: float,
    step_db: float | None = None,
) -> PairMatch:
    """Levels of a pair by their mean power in third octaves between two frequencies.

    The louder one is lowered, in steps of the processor where these are given. Raises WiringError
    when they share less than two bands there.
    """
    require_positive("low_hz", low_hz, "Hz")
    require_positive("high_hz", high_hz, "Hz")
    ours, theirs = (bands(one, 3, low_hz, high_hz) for one in curves)
    shared = np.intersect1d(np.round(ours.frequencies_hz, 3), np.round(theirs.frequencies_hz, 3))
    if shared.size < 2:
        raise WiringError("low_hz", "the two were measured over less than two common bands there")
    levels = [
        float(np.mean(one.levels_db[np.isin(np.round(one.frequencies_hz, 3), shared)]))
        for one in (ours, theirs)
    ]
    over = levels[0] - levels[1]
    change = abs(over)
    if step_db is not None:
        change = round(change / require_positive("step_db", step_db, "dB")) * step_db
    matched = abs(over) <= MATCHED_DB
    louder = first if over > 0 else second
    said = (
        f"{first} and {second} are within {abs(over):.1f} dB of each other."
        if matched
        else f"{louder} is {abs(over):.1f} dB louder: lower it by {change:.1f} dB."
    )
    wanted = 0.0 if matched else -change
    return PairMatch(
        first,
        second,
        over,
        wanted if over > 0 else 0.0,
        wanted if over < 0 else 0.0,
        float(shared[0]),
        float(shared[-1]),
        matched,
        said,
    )


SIDE_DB: Final = 6.0
"""A speaker held before the microphone is heard by so much more from its own channel."""


class PlaceHeard(msgspec.Struct, frozen=True):
    """Which channels of the source a speaker plays, against where the plan has it: `side` and
    `zone` are empty where they could not be told, `agrees` is None then."""

    side: HeardSide
    zone: HeardZone
    agrees: bool | None
    said: str


def judge_place(heard: Sequence[ChannelHeard], side: Side, zone: HeardZone) -> PlaceHeard:
    """What the channel signal says of the speaker a microphone is held at.

    `side` and `zone` are where the plan has it; a centre speaker plays both sides, and a zone that
    is empty is not looked at. A file of two channels plays front and rear everywhere: they are told
    apart by the fader, which is turned to each while its sound plays, or not at all.
    """
    found_side, found_zone = _louder(heard, "left", "right"), _louder(heard, "front", "rear")
    found: tuple[Any, Any] = (found_side, found_zone)
    if not any(one.heard for one in heard):
        said = (
            "Nothing of the signal was heard: hold the microphone close to this speaker, and fade "
            "to it."
        )
        return PlaceHeard("", "", None, said)
    if (apart := place_apart(*found, side, zone)) is not None:
        said = (
            f"Heard from the {apart.heard}, where the plan has the {apart.wanted}: look whether "
            "they are exchanged at the source, at the processor's inputs or at the wires."
        )
        return PlaceHeard(*found, False, said)
    if side != "centre" and not found_side:
        said = (
            "Both sides were heard alike: hold the microphone close to this speaker, and fade to "
            "it."
        )
        return PlaceHeard(*found, None, said)
    own_zone = found_zone if zone else ""
    told = own_zone if side == "centre" else " ".join((own_zone, found_side)).strip()
    if told and (own_zone or not zone):
        said = f"Heard from the {told}, as planned."
    elif told:
        said = (
            f"Heard from the {told}, as planned. Front and rear were heard alike: turn the "
            "source's fader all the way to the front for the third sound and to the rear for the "
            "fourth, and they are told too."
        )
    else:
        said = "Heard in the middle, as planned."
    return PlaceHeard(*found, True, said)


def _louder(heard: Sequence[ChannelHeard], first: str, second: str) -> str:
    """Which of two words the louder channels have in their name, empty where none clearly is."""
    levels = [
        [one.level_dbfs for one in heard if word in one.name.split()] for word in (first, second)
    ]
    if not all(levels):
        return ""
    apart = max(levels[0]) - max(levels[1])
    if abs(apart) < SIDE_DB:
        return ""
    return first if apart > 0 else second
