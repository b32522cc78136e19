"""What the measuring sums answer about recordings: signals to play, and what was heard of them."""

import io
from collections.abc import Mapping, Sequence
from typing import Any, Final, NamedTuple

import msgspec
import numpy as np
import soundfile

from jobs.models import Microphone
from jobs.plan.measured import measurement_of
from wiring.errors import WiringError as WiringError
from wiring.measure.calibration import Calibration, read_calibration
from wiring.measure.faults import RecordingError
from wiring.measure.signals import CAUTIONS as CAUTIONS, LOUDEST_DBFS, SignalSpec, make
from wiring.measure.take import Take, analyse
from wiring.tuning.arrays import Floats
from wiring.tuning.measurements import MeasurementError as MeasurementError, decode as decode

FIRST_DBFS: Final = -50.0
"""Where a level begins each time; it rises only by hand."""

LAST_DBFS: Final = LOUDEST_DBFS
MOST_SECONDS: Final = 600


class Sound(NamedTuple):
    """One channel of a recording at full scale 1, and how many samples a second it has."""

    samples: Floats
    sample_rate_hz: float

    @property
    def seconds(self) -> float:
        return self.samples.size / self.sample_rate_hz


class Heard(NamedTuple):
    """What came of a recording: one entry of `results` and one list of (Hz, dB) `points` for each
    sound that was heard, and what is wrong with it, with what to do."""

    results: list[dict[str, Any]]
    points: list[list[list[float]]]
    faults: list[dict[str, str]]
    drift_ppm: float | None


class Unheard(Exception):
    """Nothing can be said from the recording; `faults` says why and what to do."""

    def __init__(self, faults: list[dict[str, str]]) -> None:
        super().__init__(" ".join(f"{one['said']} {one['what_to_do']}" for one in faults))
        self.faults = faults


def signal(**facts: Any) -> SignalSpec:
    """A signal by its facts. Raises WiringError for one that cannot be played."""
    return SignalSpec(**facts)


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


def wav(spec: SignalSpec) -> bytes:
    """The signal as a WAV file, 24 bits."""
    file = io.BytesIO()
    soundfile.write(
        file, make(spec).samples.T, int(spec.sample_rate_hz), format="WAV", subtype="PCM_24"
    )
    return file.getvalue()


def read_sound(content: bytes) -> Sound | None:
    """The louder channel of a sound file; None where it is none, or longer than ten minutes."""
    try:
        with soundfile.SoundFile(io.BytesIO(content)) as file:
            if not 0 < file.frames <= MOST_SECONDS * file.samplerate:
                return None
            both = file.read(dtype="float64", always_2d=True)
            rate = float(file.samplerate)
    except (soundfile.LibsndfileError, RuntimeError):
        return None
    loudest = int(np.argmax(np.sum(np.nan_to_num(both) ** 2, axis=0)))
    return Sound(np.nan_to_num(both[:, loudest]), rate)


def flac(sound: Sound) -> bytes:
    """The recording as it is kept: FLAC, 24 bits, nothing lost that a microphone hears."""
    file = io.BytesIO()
    within = np.clip(sound.samples, -1.0, 1.0 - 2.0**-23)
    soundfile.write(file, within, int(sound.sample_rate_hz), format="FLAC", subtype="PCM_24")
    return file.getvalue()


def calibration_points(text: str) -> list[list[float]]:
    """A calibration as it is kept: (Hz, dB), 0 dB at 1 kHz. Raises MeasurementError by line."""
    curve = read_calibration(text).curve
    pairs = zip(curve.frequencies_hz.tolist(), curve.levels_db.tolist(), strict=True)
    return [[hz, db] for hz, db in pairs]


def calibration_of(microphone: Microphone | None) -> Calibration | None:
    """What is known of a microphone."""
    if microphone is None or not microphone.points:
        return None
    return Calibration(measurement_of(microphone.points, microphone.name), microphone.name)


def heard(spec: SignalSpec, sound: Sound, microphone: Microphone | None) -> Heard:
    """What a recording says. Raises Unheard when it says nothing."""
    try:
        found = analyse(
            spec, sound.samples, sound.sample_rate_hz, calibration=calibration_of(microphone)
        )
    except RecordingError as error:
        raise Unheard(_plain(error.faults)) from None
    except WiringError as error:
        said = {"said": f"{error.reason.capitalize()}.", "what_to_do": "Record it again."}
        raise Unheard([{"severity": "stop", **said}]) from None
    return Heard(
        [_result(one) for one in found.takes],
        [_points(one) for one in found.takes],
        _plain(found.faults),
        found.drift_ppm,
    )


def _plain(faults: Sequence[Any]) -> list[dict[str, str]]:
    return [
        {"severity": one.severity, "said": one.said, "what_to_do": one.what_to_do} for one in faults
    ]


def _points(take: Take) -> list[list[float]]:
    pairs = zip(
        take.measured.frequencies_hz.tolist(), take.measured.levels_db.tolist(), strict=True
    )
    return [[round(hz, 3), round(db, 3)] for hz, db in pairs]


def _result(take: Take) -> dict[str, Any]:
    worst = [
        {"order": one.order, "percent": found.percent, "at_hz": found.at_hz}
        for one in take.harmonics
        if (found := one.worst) is not None
    ]
    return {
        "number": take.number,
        "arrival_ms": take.arrival_ms,
        "arrival_uncertain_ms": take.arrival_uncertain_ms,
        "relative_to": take.relative_to,
        "polarity": take.polarity,
        "level_db": _level_db(take),
        "low_hz": take.low_hz,
        "high_hz": take.high_hz,
        "harmonics": worst,
        "faults": _plain(take.faults),
    }


def _level_db(take: Take) -> float:
    """Mean power of the third octaves within 12 dB of the loudest [dB]."""
    levels = take.thirds.levels_db
    loud = levels[levels >= levels.max() - 12]
    return float(10 * np.log10(np.mean(10 ** (loud / 10))))
