"""What the measuring sums answer about recordings: signals to play, and what was heard of them."""

import math
import shlex
from collections.abc import Mapping, Sequence
from typing import Any, Final, NamedTuple

import msgspec
import numpy as np

from jobs.models import Microphone, Recording
from jobs.plan.measured import measurement_of, points_of
from jobs.plan.place_heard import VERDICTS, rests_on as way_of
from jobs.plan.polarity import rests_on, turned_by
from jobs.plan.tuning import Delays, Unit
from shop.wording import capital
from wiring import plan as doc
from wiring.channels.heard import source_place
from wiring.errors import WiringError as WiringError
from wiring.measure.averages import analyse_noise
from wiring.measure.calibration import Calibration, read_calibration
from wiring.measure.command import repeated_by as commands_of
from wiring.measure.faults import RecordingError
from wiring.measure.proposals import (
    DelayWanted,
    judge_place,
    judge_polarity,
    propose_delays,
)
from wiring.measure.signals import (
    CAUTIONS as CAUTIONS,
    LOUDEST_DBFS,
    SignalSpec as SignalSpec,
    make,
)
from wiring.measure.sounds import flac_of, read_sound as read_file, wav_of
from wiring.measure.sums import ChannelHeard, channels_heard, tones_heard
from wiring.measure.take import Take, analyse
from wiring.tuning.arrays import Floats
from wiring.tuning.measurements import (
    Measurement,
    MeasurementError as MeasurementError,
    decode as decode,
    nominal_hz,
)

FIRST_DBFS: Final = -50.0
"""Where a level begins each time; it rises only by hand."""

LAST_DBFS: Final = LOUDEST_DBFS
CHANNELS_S: Final = 5.0
"""The fourth channel's bursts take two seconds, and its level is read after them."""

LAST_NOISE_DBFS: Final = -10.0
"""Noise has peaks so far over its level that no more fits into a file."""


class Sound(NamedTuple):
    """One channel of a recording at full scale 1, and how many samples a second it has."""

    samples: Floats
    sample_rate_hz: float

    @property
    def seconds(self) -> float:
        return self.samples.size / self.sample_rate_hz


class Heard(NamedTuple):
    """What came of a recording: one entry of `results` and one list of (Hz, dB) `points` for each
    sound that was heard, and what is wrong with it, with what to do. `takes` are what they came
    from."""

    takes: tuple[Take, ...]
    results: list[dict[str, Any]]
    points: list[list[list[float]]]
    faults: list[dict[str, str]]
    drift_ppm: float | None


class Unheard(Exception):
    """Nothing can be said from the recording; `faults` says why and what to do."""

    def __init__(self, faults: list[dict[str, str]]) -> None:
        super().__init__(" ".join(f"{one['said']} {one['what_to_do']}" for one in faults))
        self.faults = faults


def spec_of(kept: Mapping[str, Any]) -> SignalSpec:
    """A signal as it was kept. Raises WiringError where it is none."""
    try:
        return msgspec.convert(kept, SignalSpec)
    except msgspec.ValidationError as error:
        raise WiringError("spec", str(error)) from None


def kept(spec: SignalSpec) -> dict[str, Any]:
    """The signal as plain types."""
    plain = msgspec.to_builtins(spec)
    assert isinstance(plain, dict)
    return plain


def repeated_by(spec: SignalSpec, recording: str, calibration: str) -> list[str]:
    """The commands that repeat the sums from the file that is kept, a line each."""
    return [shlex.join(words) for words in commands_of(spec, recording, calibration)]


def wav(spec: SignalSpec) -> bytes:
    """The signal as a WAV file that carries its own description."""
    return wav_of(make(spec))


def read_sound(content: bytes) -> Sound:
    """The loudest channel of a sound file. Raises Unheard where it is none, or too long."""
    try:
        found = read_file(content)
    except WiringError as error:
        raise Unheard([_stop(error)]) from None
    return Sound(found.channel(), found.sample_rate_hz)


def flac(sound: Sound) -> bytes:
    """The recording as it is kept: small, and nothing of it is lost."""
    return flac_of(sound.samples, sound.sample_rate_hz)


def _stop(error: WiringError) -> dict[str, str]:
    return {"severity": "stop", "said": f"{capital(error.reason)}.", "what_to_do": ""}


def calibration_points(text: str) -> list[list[float]]:
    """A calibration as it is kept: (Hz, dB), 0 dB at 1 kHz. Raises MeasurementError by line."""
    return points_of(read_calibration(text).curve)


def calibration_of(microphone: Microphone | None) -> Calibration | None:
    """What is known of a microphone."""
    if microphone is None or not microphone.points:
        return None
    return Calibration(measurement_of(microphone.points, microphone.name), microphone.name)


def heard(spec: SignalSpec, sound: Sound, microphone: Microphone | None) -> Heard:
    """What a recording says. Raises Unheard when it says nothing."""
    try:
        return _HEARD_BY[spec.kind](spec, sound, calibration_of(microphone))
    except RecordingError as error:
        raise Unheard(_plain(error.faults)) from None
    except WiringError as error:
        raise Unheard([_stop(error)]) from None


def _sweep(spec: SignalSpec, sound: Sound, calibration: Calibration | None) -> Heard:
    found = analyse(spec, sound.samples, sound.sample_rate_hz, calibration=calibration)
    return Heard(
        found.takes,
        [_result(one) for one in found.takes],
        [_points(one.measured) for one in found.takes],
        _plain(found.faults),
        found.drift_ppm,
    )


def _pulse(spec: SignalSpec, sound: Sound, calibration: Calibration | None) -> Heard:
    """A pulse says which way a speaker moves; its response has too little level to be kept."""
    return _sweep(spec, sound, calibration)._replace(takes=(), points=[])


def _noise(spec: SignalSpec, sound: Sound, calibration: Calibration | None) -> Heard:
    found = analyse_noise(spec, sound.samples, sound.sample_rate_hz, calibration)
    level = _level_db(found.thirds.levels_db)
    seen = _plain(found.faults)
    return Heard((), [_plainly(0, level)], [_points(found.measured)], seen, None)


def _tone(spec: SignalSpec, sound: Sound, _calibration: Calibration | None) -> Heard:
    found, seen = tones_heard(spec, sound.samples, sound.sample_rate_hz)
    results = [_plainly(one.number, one.level_dbfs) for one in found]
    return Heard((), results, [], _plain(seen), None)


def _channels(spec: SignalSpec, sound: Sound, _calibration: Calibration | None) -> Heard:
    found = channels_heard(spec, sound.samples, sound.sample_rate_hz)
    result = _plainly(0, max(one.level_dbfs for one in found))
    return Heard((), [{**result, "channels": msgspec.to_builtins(found)}], [], [], None)


_HEARD_BY: Final = {
    "sweep": _sweep,
    "pulse": _pulse,
    "pink": _noise,
    "tone": _tone,
    "channels": _channels,
}


def _plainly(number: int, level_db: float) -> dict[str, Any]:
    """A result that says a level alone."""
    return {
        "number": number,
        "arrival_ms": None,
        "arrival_uncertain_ms": 0.0,
        "relative_to": "nothing",
        "polarity": "",
        "level_db": level_db,
        "low_hz": None,
        "high_hz": None,
        "harmonics": [],
        "faults": [],
    }


def places_heard(recording: Recording, plan: doc.Plan) -> dict[str, dict[str, Any]]:
    """Which channels of the source the speakers of a channel play, against where they are, as it is
    kept (jobs.plan.place_heard.PlacesHeard). Empty without a channel, or where its speakers are at
    several places."""
    told: dict[str, dict[str, Any]] = {}
    channels = {one.id: one for one in plan.channels}
    for result in recording.results:
        heard = [msgspec.convert(one, ChannelHeard) for one in result.get("channels", ())]
        channel = channels.get(recording.order[result["number"]])
        if not heard or channel is None:
            continue
        place = source_place(one for one in plan.speakers if one.id in channel.speakers)
        if place is not None:
            judged = judge_place(heard, *place)
            told[channel.id] = {
                "side": judged.side,
                "zone": judged.zone,
                "verdict": VERDICTS[judged.agrees],
                "said": judged.said,
                "rests_on": way_of(plan, channel),
            }
    return told


def _plain(faults: Sequence[Any]) -> list[dict[str, str]]:
    return [
        {"severity": one.severity, "said": one.said, "what_to_do": one.what_to_do} for one in faults
    ]


def _points(measured: Measurement) -> list[list[float]]:
    """What is kept of a response: a band in which nothing at all was heard is left out."""
    return [[round(hz, 3), round(db, 3)] for hz, db in points_of(measured) if math.isfinite(db)]


def _result(take: Take) -> dict[str, Any]:
    worst = [
        {"order": one.order, "percent": found.percent, "at_hz": nominal_hz(found.at_hz)}
        for one in take.harmonics
        if (found := one.worst) is not None
    ]
    return {
        "number": take.number,
        "arrival_ms": take.arrival_ms,
        "arrival_uncertain_ms": take.arrival_uncertain_ms,
        "relative_to": take.relative_to,
        "polarity": take.polarity,
        "level_db": _level_db(take.thirds.levels_db),
        "low_hz": take.low_hz,
        "high_hz": take.high_hz,
        "harmonics": worst,
        "faults": _plain(take.faults),
    }


def _level_db(levels: Floats) -> float:
    """Mean power of the third octaves within 12 dB of the loudest [dB]."""
    loud = levels[levels >= levels.max() - 12]
    return float(10 * np.log10(np.mean(10 ** (loud / 10))))


class Wanted(NamedTuple):
    """A delay by measured arrival, for a unit of channels that is delayed as one [ms]."""

    unit: Unit
    delay: DelayWanted
    now_ms: float


def delays_wanted(
    row: Recording, plan: doc.Plan, delays: Delays, taken_with: Mapping[str, Any]
) -> list[Wanted]:
    """What the arrivals of one recording ask for, beside what the tape asks for.

    Empty where fewer than two speakers of it share a clock. `taken_with` are the settings in
    force when it was recorded.
    """
    lines = {one.unit.key: one for one in delays.lines}
    units = units_by_channel(plan, delays)
    arrivals: dict[str, float] = {}
    uncertain, standing, tape = {}, {}, {}
    for result in row.results:
        unit = units.get(row.order[result["number"]])
        if unit is None or result["arrival_ms"] is None or result["relative_to"] == "nothing":
            continue
        arrivals[unit.key] = result["arrival_ms"]
        uncertain[unit.key] = result["arrival_uncertain_ms"]
        standing[unit.key] = taken_with.get(unit.channel_ids[0], {}).get("delay_ms", 0.0)
        if (by_tape := lines[unit.key].delay) is not None:
            tape[unit.key] = by_tape.exact_ms
    if len(arrivals) < 2:
        return []
    return [
        Wanted(lines[one.id].unit, one, lines[one.id].now_ms)
        for one in propose_delays(arrivals, tape, uncertain, standing)
    ]


def units_by_channel(plan: doc.Plan, delays: Delays) -> dict[str, Unit]:
    """The unit that delays each channel's speakers."""
    return {
        channel.id: line.unit
        for channel in plan.channels
        for line in delays.lines
        if set(channel.speakers) & set(line.unit.speaker_ids)
    }


def polarities(
    recording: Recording, plan: doc.Plan, delays: Delays, taken_with: Mapping[str, Any]
) -> dict[str, dict[str, Any]]:
    """Each sound's polarity against what was set, as it is kept (jobs.plan.polarity.Judged).

    Empty for a single sound: a chain that turns everything cannot be told from a speaker.
    """
    units = units_by_channel(plan, delays)
    channels = {one.id: one for one in plan.channels}
    measured = {
        recording.order[one["number"]]: one["polarity"]
        for one in recording.results
        if one["polarity"]
    }
    if len(measured) < 2:
        return {}
    turning = {
        key: list(dict.fromkeys((key, *(units[key].channel_ids[:1] if key in units else ()))))
        for key in measured
    }
    turned = {
        key: (
            sum(bool(taken_with.get(one, {}).get("inverted")) for one in ids)
            + (key in channels and turned_by(plan, channels[key]))
        )
        % 2
        == 1
        for key, ids in turning.items()
    }
    return {
        one.id: {
            "verdict": one.verdict,
            "expected": one.expected,
            "measured": one.measured,
            "said": one.said,
            "rests_on": rests_on(plan, channels[one.id], turning[one.id]),
        }
        for one in judge_polarity(measured, turned)
        if one.id in channels
    }
