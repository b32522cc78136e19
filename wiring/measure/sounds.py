"""Sound files: signals out as WAV with their own description, recordings in as WAV or FLAC.

Read and written by soundfile (libsndfile), which is loaded when the first file is.
"""

import io
import math
import re
from pathlib import Path
from typing import Any, Final, NamedTuple

import msgspec
import numpy as np

from wiring.errors import WiringError, require_positive
from wiring.measure.signals import Signal, SignalSpec
from wiring.tuning.arrays import Floats, require_numbers

FORMATS: Final = ("WAV", "WAVEX", "FLAC", "RF64")
MOST_BYTES: Final = 100_000_000
MOST_SAMPLES: Final = 24_000_000
"""Eight minutes of one channel at 48 kHz; a small file may unpack to much more."""
MOST_CHANNELS: Final = 8
BITS: Final = "PCM_24"
SCALED: Final = "Loombook scale "
SAID: Final = "Loombook signal "
"""What stands before the description in a file's comment."""


class Sound(NamedTuple):
    """A sound file: one row of samples a channel at full scale 1, and its comment."""

    samples: Floats
    sample_rate_hz: float
    comment: str = ""

    def channel(self, number: int | None = None) -> Floats:
        """One channel by its number from 1; the loudest where none is named.

        Raises WiringError for a channel the file has not.
        """
        if number is None:
            loudest = int(np.argmax(np.sum(self.samples**2, axis=1)))
            return np.asarray(self.samples[loudest])
        if not 1 <= number <= self.samples.shape[0]:
            raise WiringError("channel", f"the file has {self.samples.shape[0]}, not {number}")
        return np.asarray(self.samples[number - 1])


def read_sound(content: bytes | Path) -> Sound:
    """Read a WAV or FLAC file, whole numbers of 16, 24 or 32 bits or floating point.

    Raises WiringError for any other content, or more than MOST_SAMPLES.
    """
    size = len(content) if isinstance(content, bytes) else content.stat().st_size
    if size > MOST_BYTES:
        raise WiringError("file", f"it is larger than {MOST_BYTES // 1_000_000} MB")
    soundfile = _soundfile()
    source = io.BytesIO(content) if isinstance(content, bytes) else str(content)
    try:
        with soundfile.SoundFile(source) as file:
            _require(file)
            samples = file.read(dtype="float64", always_2d=True).T
            scale, comment = _scale(file.comment)
            found = Sound(np.ascontiguousarray(samples) * scale, float(file.samplerate), comment)
    except soundfile.LibsndfileError:
        raise WiringError(
            "file", "this is no WAV or FLAC file, or it is damaged: save the recording as WAV"
        ) from None
    if found.samples.size == 0:
        raise WiringError("file", "there is no sound in it")
    if not np.isfinite(found.samples).all():
        raise WiringError("file", "it holds what is no number: save the recording as WAV again")
    return found


def _scale(comment: str) -> tuple[float, str]:
    """By how much a file was written smaller, and the rest of its comment."""
    found = re.fullmatch(rf"{SCALED}(\d{{1,9}}) (.*)", comment, re.DOTALL)
    return (float(found[1]), found[2]) if found else (1.0, comment)


def _require(file: Any) -> None:
    if file.format not in FORMATS:
        raise WiringError("file", f"a {file.format} file: save the recording as WAV or FLAC")
    if file.channels > MOST_CHANNELS:
        raise WiringError("file", f"{file.channels} channels are more than {MOST_CHANNELS}")
    if file.frames * file.channels > MOST_SAMPLES:
        minutes = MOST_SAMPLES / file.channels / file.samplerate / 60
        raise WiringError("file", f"it is longer than {minutes:.0f} minutes: record it in parts")


def wav_of(signal: Signal) -> bytes:
    """A signal as a WAV file of 24 bits that carries its own description."""
    comment = SAID + msgspec.json.encode(signal.spec).decode()
    return _written(signal.samples, signal.spec.sample_rate_hz, "WAV", comment)


def flac_of(samples: Floats, sample_rate_hz: float, comment: str = "") -> bytes:
    """Samples, full scale 1, as a FLAC file of 24 bits: small, and nothing of them is lost.

    One row a channel, or a single row. What goes over full scale, as floating point may, is written
    smaller by a power of two that stands in the comment and is taken back by `read_sound`. Raises
    WiringError on what is no number.
    """
    require_numbers("samples", samples)
    peak = float(np.max(np.abs(samples), initial=0.0))
    if peak > 1:
        scale = 2 ** math.ceil(math.log2(peak))
        return _written(
            np.atleast_2d(samples) / scale, sample_rate_hz, "FLAC", f"{SCALED}{scale} {comment}"
        )
    return _written(np.atleast_2d(samples), sample_rate_hz, "FLAC", comment)


def _written(samples: Floats, sample_rate_hz: float, kind: str, comment: str) -> bytes:
    require_numbers("samples", samples)
    rate = round(require_positive("sample_rate_hz", sample_rate_hz, "Hz"))
    kept = io.BytesIO()
    with _soundfile().SoundFile(kept, "w", rate, samples.shape[0], BITS, format=kind) as file:
        if comment:
            file.comment = comment
        file.write(np.clip(samples, -1.0, 1.0).T)
    return kept.getvalue()


def spec_of(sound: Sound) -> SignalSpec:
    """The description a signal's file carries. Raises WiringError where it carries none."""
    if not sound.comment.startswith(SAID):
        raise WiringError(
            "signal",
            "this file carries no description of a signal (a program that converted it may have "
            "dropped it): use the file as it was made",
        )
    try:
        return msgspec.json.decode(sound.comment[len(SAID) :], type=SignalSpec)
    except (msgspec.DecodeError, WiringError) as error:
        raise WiringError("signal", f"its description cannot be read: {error}") from None


def _soundfile() -> Any:
    import soundfile

    return soundfile
