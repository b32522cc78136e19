"""Calibration files of microphones: two columns, frequency and what the microphone adds."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from wiring.tuning.arrays import Floats, require_numbers
from wiring.tuning.measurements import (
    LineProblem,
    Measurement,
    MeasurementError,
    read_text,
)

REFERENCE_HZ: Final = 1_000.0
LARGEST_DB: Final = 30.0
"""No measuring microphone is further off its own level at 1 kHz (common practice, no source)."""
COVERS_HZ: Final = (50.0, 10_000.0)


@dataclass(frozen=True)
class Calibration:
    """What a microphone adds over frequency [dB], 0 at 1 kHz. `notes` says what was done."""

    curve: Measurement
    name: str = ""
    notes: tuple[str, ...] = ()

    def at(self, frequencies_hz: Floats) -> Floats:
        """What it adds [dB]; outside of what was calibrated, as at the nearest end."""
        require_numbers("frequencies_hz", frequencies_hz)
        own = np.log(self.curve.frequencies_hz)
        wanted = np.log(np.maximum(frequencies_hz, self.curve.frequencies_hz[0]))
        return np.asarray(np.interp(wanted, own, self.curve.levels_db))


def read_calibration(content: str | bytes, name: str = "") -> Calibration:
    """Read a calibration file. Raises MeasurementError with each faulty line."""
    curve = read_text(content, name)
    low, high = float(curve.frequencies_hz[0]), float(curve.frequencies_hz[-1])
    if low > COVERS_HZ[0] or high < COVERS_HZ[1]:
        raise _whole(
            f"It goes from {low:g} to {high:g} Hz; a microphone's calibration covers at least "
            f"{COVERS_HZ[0]:g} to {COVERS_HZ[1]:g} Hz. Is this the right file?"
        )
    reference = float(curve.at(np.array([REFERENCE_HZ]))[0])
    shifted = curve.levels_db - reference
    worst = int(np.argmax(np.abs(shifted)))
    if abs(float(shifted[worst])) > LARGEST_DB:
        raise _whole(
            f"At {curve.frequencies_hz[worst]:g} Hz it is {shifted[worst]:+.1f} dB off its level "
            "at 1 kHz: this is no calibration of a measuring microphone. Is this the right file?"
        )
    notes = list(curve.notes)
    if not math.isclose(reference, 0.0, abs_tol=0.005):
        notes.append(f"moved by {-reference:+.2f} dB, so that it is 0 dB at 1 kHz")
    if low > 20 or high < 20_000:
        notes.append(f"below {low:g} Hz and above {high:g} Hz taken as at these ends")
    return Calibration(Measurement(curve.frequencies_hz, shifted, name), name, tuple(notes))


def _whole(message: str) -> MeasurementError:
    return MeasurementError([LineProblem(0, "", message)])
