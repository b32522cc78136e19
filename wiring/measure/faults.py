"""What is wrong with a recording, in plain words, with what to do.

Limits here are common practice without a source unless another is named beside them.
"""

from collections.abc import Sequence
from typing import Final, Literal

import msgspec
import numpy as np

from wiring.errors import WiringError, require_positive
from wiring.findings import Figure
from wiring.measure.spectra import level_db
from wiring.tuning.arrays import Floats, require_numbers
from wiring.tuning.measurements import Measurement, nominal_hz

FaultKind = Literal[
    "clipped",
    "silent",
    "low-rate",
    "other-rate",
    "no-mark",
    "starts-late",
    "ends-early",
    "not-heard",
    "no-end-mark",
    "clocks-apart",
    "level-changed",
    "noise-unknown",
    "noisy-bands",
    "takes-differ",
]
Severity = Literal["stop", "caution"]

FULL_SCALE: Final = 0.999
FLAT_RUN: Final = 3
FLAT_SHARE: Final = 0.5
FLAT_LEAST: Final = 24
FLAT_PEAK: Final = 0.02
SILENT_DBFS: Final = -80.0
LEAST_RATE_HZ: Final = 44_100.0
APART_PPM: Final = 300.0
"""Two quartz clocks are within 100 ppm of each other as a rule; this far apart one is not in
order, or something between them converts the rate."""
LEVEL_CHANGE_DB: Final = 0.5
OVER_NOISE_DB: Final = 20.0
"""Noise this far below adds 0.9 dB at a single frequency at most: 20 lg(1 + 0.1)."""


class Fault(msgspec.Struct, frozen=True):
    """One thing wrong: with "stop" nothing can be said from the recording, with "caution" less."""

    kind: FaultKind
    severity: Severity
    said: str
    what_to_do: str
    figures: tuple[Figure, ...] = ()


class RecordingError(WiringError):
    """A recording nothing can be said from; `faults` says why, and what else was seen."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        stops = [one for one in faults if one.severity == "stop"]
        super().__init__("recording", " ".join(f"{one.said} {one.what_to_do}" for one in stops))
        self.faults = tuple(faults)


def level_faults(samples: Floats) -> tuple[Fault, ...]:
    """Clipping, at full scale or below it, and silence. Raises WiringError on what is no number."""
    require_numbers("samples", samples)
    peak = float(np.max(np.abs(samples), initial=0.0))
    rms_db = float(level_db(np.array(np.mean(samples**2) if samples.size else 0.0)))
    if peak == 0 or rms_db < SILENT_DBFS - 10:
        return (_silent(rms_db),)
    clipped = _flat(samples, peak)
    if not clipped:
        return (_silent(rms_db),) if rms_db < SILENT_DBFS else ()
    return (
        Fault(
            "clipped",
            "stop",
            f"The recording is clipped: {clipped} samples stand flat at its top.",
            "Turn the microphone's gain down, or play more quietly, and record again.",
            (Figure("peak", 20 * np.log10(peak).item(), "dBFS"),),
        ),
    )


def _flat(samples: Floats, peak: float) -> int:
    """Samples in flat tops: runs at full scale, or far more at the peak than just under it."""
    size = np.abs(samples)
    if FULL_SCALE <= peak <= 1.0:
        top = size >= FULL_SCALE
        runs = np.convolve(top, np.ones(FLAT_RUN), "valid") >= FLAT_RUN
        if runs.any():
            return int(np.count_nonzero(top))
    at_top = int(np.count_nonzero(size >= 0.9999 * peak))
    near = int(np.count_nonzero(size >= 0.99 * peak))
    flat = peak >= FLAT_PEAK and at_top >= FLAT_LEAST and at_top > FLAT_SHARE * near
    return at_top if flat else 0


def _silent(rms_db: float) -> Fault:
    return Fault(
        "silent",
        "stop",
        f"The recording is silent ({rms_db:.0f} dBFS).",
        "Look whether the right microphone is chosen, switched on and plugged in.",
    )


def rate_fault(sample_rate_hz: float) -> Fault | None:
    """A sample rate too low to measure with. Raises WiringError on what is none."""
    if require_positive("sample_rate_hz", sample_rate_hz, "Hz") >= LEAST_RATE_HZ:
        return None
    return Fault(
        "low-rate",
        "stop",
        f"The recording has {sample_rate_hz:g} samples a second: nothing above "
        f"{sample_rate_hz / 2:g} Hz is in it.",
        "Set the recorder to 48000 Hz, not to speech or telephone quality, and record again.",
    )


def other_rate(stated_hz: float, true_hz: float) -> Fault:
    """The file says another rate than it was recorded with."""
    return Fault(
        "other-rate",
        "stop",
        f"The file says {stated_hz:g} Hz, and the signal in it runs as recorded at {true_hz:g} Hz.",
        f"Set player, recorder and file to one rate, or save the recording as {true_hz:g} Hz.",
    )


def no_mark() -> Fault:
    """The signal is not in the recording."""
    return Fault(
        "no-mark",
        "stop",
        "No timing mark of this signal was found in the recording.",
        "Look whether this is the signal that was played; start the recording before the signal, "
        "stop it after its last mark, and raise the level a little by hand.",
    )


def starts_late(missing_s: float) -> Fault:
    """The beginning of what is measured with is missing."""
    return Fault(
        "starts-late",
        "stop",
        f"The recording begins {missing_s:.1f} s after the sweep did: its low frequencies are "
        "missing.",
        "Start the recording first, then play the signal from its beginning.",
    )


def ends_early(missing_s: float) -> Fault:
    """The end of what is measured with is missing."""
    return Fault(
        "ends-early",
        "stop",
        f"The recording ends {missing_s:.1f} s before the sweep does: its high frequencies are "
        "missing.",
        "Let the recording run until the signal's last mark is over.",
    )


def not_heard(names: Sequence[str]) -> Fault:
    """Stretches of a sequence that are not in the recording."""
    return Fault(
        "not-heard",
        "caution",
        f"Not heard in the recording: {', '.join(names)}.",
        "Look whether that speaker was switched on in time, and record it again.",
    )


def no_end_mark() -> Fault:
    """Both marks are wanted to tell how far the clocks are apart."""
    return Fault(
        "no-end-mark",
        "caution",
        "Only one of the two timing marks was found: how far the clocks are apart is not known, "
        "and no arrival time is given.",
        "Let the recording run from before the first mark until after the last.",
    )


def clocks_apart(drift_ppm: float) -> Fault:
    """The clocks are so far apart that one is not in order."""
    return Fault(
        "clocks-apart",
        "caution",
        f"The recorder's clock is {drift_ppm:+.0f} ppm off the player's. It was made up for, and "
        "is more than two devices in order differ by.",
        "Look for a player or a program on the way that changes pitch, tempo or sample rate.",
    )


def level_changed(change_db: float) -> Fault:
    """The same mark is louder or softer at the end."""
    return Fault(
        "level-changed",
        "caution",
        f"The second timing mark is {abs(change_db):.1f} dB "
        f"{'louder' if change_db > 0 else 'softer'} than the first.",
        "Switch automatic gain, noise suppression and echo cancelling off, touch no volume while "
        "the signal plays, and record again.",
    )


def noise_unknown() -> Fault:
    """There is no quiet stretch to read the background from."""
    return Fault(
        "noise-unknown",
        "caution",
        "There is no quiet stretch in the recording: how far the signal is over the noise is not "
        "known.",
        "Let the recording run until the signal's last mark is over.",
    )


def noisy_bands(over_noise: Measurement, low_hz: float, high_hz: float) -> Fault | None:
    """Third octaves between two frequencies in which the signal is too near the noise."""
    require_positive("low_hz", low_hz, "Hz")
    require_positive("high_hz", high_hz, "Hz")
    low = [
        (nominal_hz(hz), level)
        for hz, level in zip(
            over_noise.frequencies_hz.tolist(), over_noise.levels_db.tolist(), strict=True
        )
        if low_hz / 1.01 <= hz <= high_hz * 1.01 and level < OVER_NOISE_DB
    ]
    if not low:
        return None
    named = ", ".join(f"{hz:g}" for hz, _ in low)
    worst = min(level for _, level in low)
    return Fault(
        "noisy-bands",
        "caution",
        f"Too near the noise at {named} Hz: {worst:.0f} dB over it where it is least, at least "
        f"{OVER_NOISE_DB:.0f} dB are wanted.",
        "Stop what makes noise (engine, fan, air conditioning), or raise the level a little by "
        "hand, hearing kept in mind, and record again.",
        tuple(Figure(f"{hz:g} Hz", level, "dB") for hz, level in low),
    )


def takes_differ(most_db: float, at_hz: float) -> Fault:
    """Takes that are averaged are not of the same thing."""
    return Fault(
        "takes-differ",
        "caution",
        f"The takes differ by {most_db:.1f} dB at {at_hz:g} Hz.",
        "Look whether the microphone stood still and the same speaker played, or take the one "
        "that is off out.",
    )
