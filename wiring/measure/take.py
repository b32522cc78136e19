"""One recording made into what it says: response, arrival, polarity, distortion, noise, faults."""

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from wiring.errors import WiringError
from wiring.measure import faults
from wiring.measure.arrival import Arrival, arrival
from wiring.measure.calibration import Calibration
from wiring.measure.distortion import Harmonic, harmonics
from wiring.measure.faults import Fault, RecordingError
from wiring.measure.impulse import Transfer, Window, transfer, window_shape, windowed
from wiring.measure.locate import MOST_PPM, Located, Stretch, locate, true_rate_hz
from wiring.measure.responses import (
    HIGHEST_HZ,
    LOWEST_HZ,
    highest_s,
    level_change_db,
    mark_arrival,
    noise_power,
    quiet_of,
    response_of,
)
from wiring.measure.signals import GAP_S, LEAD_S, MARK_S, SignalSpec, sweep_of
from wiring.measure.spectra import (
    Spectrum,
    level_db,
    mean_in_bands,
    power_in_bands,
    welch,
    whole_bands_hz,
)
from wiring.tuning.arrays import Floats, require_numbers
from wiring.tuning.measurements import Measurement

Polarity = Literal["normal", "inverted", "unclear"]
RelativeTo = Literal["mark", "sequence", "nothing"]

JUDGED_DB: Final = 12.0
"""How far under its loudest a third octave still counts as played, and is judged by its noise."""
SURE: Final = 0.2
MARGIN: Final = 0.2
"""Under these a polarity is not told: in simulated cabins of hard walls one in a hundred midbasses
is read the wrong way round, with a margin up to 0.15."""
FINE: Final = 48
LINES_HZ: Final = 1.5


@dataclass(frozen=True)
class Take:
    """What one stretch of a recording says of one speaker.

    Levels are those of the recording against the signal, both against digital full scale [dB].
    `arrival_ms` counts from the marks' speaker ("mark"), from one moment that all takes of the
    recording share ("sequence"), or says nothing; None where the clocks are not known. It is
    uncertain by `arrival_uncertain_ms`. `zero_ms` is the moment the time of `transfer` counts
    from, on the same clock as the arrival. `noise` is the background alone, `over_noise` how far
    the response stands over it in the end. Harmonics are there for sweeps alone.
    """

    number: int
    name: str
    sample_rate_hz: float
    transfer: Transfer
    measured: Measurement
    thirds: Measurement
    arrival_ms: float | None
    arrival_uncertain_ms: float
    zero_ms: float | None
    relative_to: RelativeTo
    polarity: Polarity
    sureness: float
    low_hz: float
    high_hz: float
    noise: Measurement | None
    over_noise: Measurement | None
    harmonics: tuple[Harmonic, ...]
    window: Window
    faults: tuple[Fault, ...]


@dataclass(frozen=True)
class Analysis:
    """All of one recording: its takes in the order they were played, `drift_ppm` by which the
    recorder's clock is fast (None where it is not known), and where in it the signal begins."""

    spec: SignalSpec
    takes: tuple[Take, ...]
    drift_ppm: float | None
    begins_s: float
    faults: tuple[Fault, ...]

    @property
    def all_faults(self) -> tuple[Fault, ...]:
        """Of the recording and of each take."""
        return self.faults + tuple(one for take in self.takes for one in take.faults)


def analyse(
    spec: SignalSpec,
    samples: Floats,
    sample_rate_hz: float,
    *,
    calibration: Calibration | None = None,
    window: Window | None = None,
) -> Analysis:
    """What a recording of a sweep or of pulses says, one take for each time the signal came.

    `samples` is one channel at full scale 1. Raises RecordingError with every fault when nothing
    can be said, WiringError for what is no recording.
    """
    require_numbers("samples", samples)
    if spec.kind not in ("sweep", "pulse"):
        raise WiringError("spec", f"a response is not read from {spec.kind}")
    seen = list(_before(samples, sample_rate_hz))
    _stop(seen)
    located = locate(spec, samples, sample_rate_hz)
    seen += _of_marks(spec, samples, sample_rate_hz, located)
    _stop(seen)
    assert located is not None
    takes = []
    found = {one.number for one in located.stretches}
    missing = [name for number, name in enumerate(spec.stretches) if number not in found]
    stops: list[Fault] = []
    for stretch in located.stretches:
        cut = _cut(spec, samples, located, stretch)
        if cut is not None:
            stops.append(cut)
            missing.append(spec.stretches[stretch.number])
            continue
        takes.append(_take(spec, samples, located, stretch, calibration, window))
    if not takes:
        _stop([*seen, *stops])
    if missing:
        seen.append(faults.not_heard(missing))
    first = located.stretches[0]
    begins = located.payload(first, spec) / located.clock_hz
    begins -= LEAD_S + first.number * spec.period_s + MARK_S + GAP_S
    return Analysis(spec, tuple(takes), located.drift_ppm, begins, tuple(seen))


def _stop(seen: list[Fault]) -> None:
    if any(one.severity == "stop" for one in seen):
        raise RecordingError(seen)


def _before(samples: Floats, sample_rate_hz: float) -> tuple[Fault, ...]:
    low = faults.rate_fault(sample_rate_hz)
    return (*faults.level_faults(samples), *((low,) if low else ()))


def _of_marks(
    spec: SignalSpec, samples: Floats, rate: float, located: Located | None
) -> list[Fault]:
    """What the marks of a recording say of it."""
    drift = located.drift_ppm if located is not None else None
    if located is None or drift is None or abs(drift) > MOST_PPM:
        true = true_rate_hz(spec, samples, rate)
        if true is not None:
            return [faults.other_rate(rate, true)]
    if located is None:
        return [faults.no_mark()]
    if drift is None:
        return [faults.no_end_mark()]
    return [faults.clocks_apart(drift)] if abs(drift) > faults.APART_PPM else []


def _cut(spec: SignalSpec, samples: Floats, located: Located, stretch: Stretch) -> Fault | None:
    """What is missing of a stretch at an end of the recording."""
    begin = located.payload(stretch, spec)
    if begin < 0:
        return faults.starts_late(-begin / located.clock_hz)
    end = begin + spec.payload_s * located.clock_hz
    if end > samples.size:
        return faults.ends_early((end - samples.size) / located.clock_hz)
    return None


def _take(
    spec: SignalSpec,
    samples: Floats,
    located: Located,
    stretch: Stretch,
    calibration: Calibration | None,
    window: Window | None,
) -> Take:
    raw = response_of(spec, samples, located, stretch)
    shape = window or raw.window
    peak_s = highest_s(raw.impulse)
    own = windowed(raw.impulse, peak_s, shape)
    spectrum = transfer(own, LINES_HZ * located.clock_hz / located.sample_rate_hz)
    low, high = max(raw.low_hz, LOWEST_HZ), min(raw.high_hz, HIGHEST_HZ)
    quiet = quiet_of(spec, samples, located, stretch)
    background = welch(quiet, located.sample_rate_hz) if quiet is not None else None
    noise = unit = None
    if background is not None:
        unit = noise_power(spec, background, spectrum, located.clock_hz)
        noise = unit * float(np.sum(window_shape(own.samples.size, located.clock_hz, shape) ** 2))
    read = arrival(spectrum, low, high, noise)
    arrived_s, relative_to, uncertain_s = _relative(
        spec, samples, located, stretch, peak_s + read.time_s, read.uncertain_s
    )
    heard = _corrected(spectrum, calibration)
    thirds = _in_bands(heard, 3, low, high)
    over = _over_noise(heard, noise, calibration, low, high)
    found: list[Fault] = []
    plays = _plays_hz(thirds)
    noisy = faults.noisy_bands(over, *plays) if over is not None else None
    found += [noisy] if noisy is not None else []
    found += [faults.noise_unknown()] if over is None else []
    changed = level_change_db(samples, located, stretch)
    if changed is not None and abs(changed) > faults.LEVEL_CHANGE_DB:
        found.append(faults.level_changed(changed))
    parts: tuple[Harmonic, ...] = ()
    if spec.kind == "sweep":
        rate_s = sweep_of(spec).rate_s
        bounds = (max(low, plays[0]), high)
        parts = harmonics(raw.impulse, peak_s, rate_s, spectrum, *bounds, noise=unit)
        parts = tuple(_up_to(one, plays[1]) for one in parts)
    return Take(
        number=stretch.number,
        name=spec.stretches[stretch.number],
        sample_rate_hz=located.sample_rate_hz,
        transfer=spectrum,
        measured=_in_bands(heard, FINE, low, high),
        thirds=thirds,
        arrival_ms=arrived_s * 1000 if arrived_s is not None else None,
        arrival_uncertain_ms=uncertain_s * 1000,
        zero_ms=(arrived_s - read.time_s) * 1000 if arrived_s is not None else None,
        relative_to=relative_to,
        polarity=polarity_of(read),
        sureness=read.sureness,
        low_hz=read.low_hz,
        high_hz=read.high_hz,
        noise=_background(background, low, high),
        over_noise=over,
        harmonics=parts,
        window=shape,
        faults=tuple(found),
    )


def _relative(
    spec: SignalSpec,
    samples: Floats,
    located: Located,
    stretch: Stretch,
    after_s: float,
    uncertain_s: float,
) -> tuple[float | None, RelativeTo, float]:
    """The arrival counted from what can be counted from, and how uncertain it is [s]."""
    relative_to: RelativeTo = "sequence" if len(spec.stretches) > 1 else "nothing"
    if spec.mark_on != spec.play_on:
        relative_to = "mark"
    if located.drift_ppm is None:
        return None, relative_to, uncertain_s
    if relative_to == "mark":
        if stretch.begin is None:
            return None, relative_to, uncertain_s
        mark = mark_arrival(samples, located, stretch.begin)
        return after_s - mark.time_s, relative_to, uncertain_s + mark.uncertain_s
    first = located.stretches[0]
    passed = (located.payload(stretch, spec) - located.payload(first, spec)) / located.clock_hz
    return (
        passed - (stretch.number - first.number) * spec.period_s + after_s,
        relative_to,
        uncertain_s,
    )


def _corrected(spectrum: Transfer, calibration: Calibration | None) -> Transfer:
    """The response without what the microphone adds."""
    if calibration is None:
        return spectrum
    gain = 10 ** (-calibration.at(spectrum.frequencies_hz) / 20)
    return Transfer(spectrum.frequencies_hz, spectrum.response * gain)


def _in_bands(spectrum: Transfer, fraction: int, low_hz: float, high_hz: float) -> Measurement:
    centres = whole_bands_hz(fraction, low_hz, high_hz)
    power = mean_in_bands(spectrum.frequencies_hz, spectrum.power, centres, fraction)
    return Measurement(centres, level_db(power))


def _over_noise(
    heard: Transfer,
    noise: Floats | None,
    calibration: Calibration | None,
    low_hz: float,
    high_hz: float,
) -> Measurement | None:
    """How far the response stands over what noise alone would have left [dB]."""
    if noise is None:
        return None
    left = _corrected(Transfer(heard.frequencies_hz, np.sqrt(noise).astype(complex)), calibration)
    ours = _in_bands(heard, 3, low_hz, high_hz)
    theirs = _in_bands(left, 3, low_hz, high_hz)
    return Measurement(ours.frequencies_hz, ours.levels_db - theirs.levels_db, "over noise")


def _plays_hz(thirds: Measurement) -> tuple[float, float]:
    """The band a speaker plays: from the first to the last third octave near its loudest five."""
    levels = thirds.levels_db
    loud = levels >= np.sort(levels)[-5:].mean() - JUDGED_DB
    heard = thirds.frequencies_hz[loud]
    return float(heard[0]), float(heard[-1])


def _up_to(part: Harmonic, high_hz: float) -> Harmonic:
    """A harmonic of the fundamentals up to a frequency."""
    kept = part.under.frequencies_hz <= high_hz * 1.01

    def cut(one: Measurement) -> Measurement:
        return Measurement(one.frequencies_hz[kept], one.levels_db[kept], one.name)

    return Harmonic(part.order, cut(part.under), cut(part.floor) if part.floor else None)


def _background(background: Spectrum | None, low_hz: float, high_hz: float) -> Measurement | None:
    if background is None:
        return None
    centres = whole_bands_hz(3, low_hz, high_hz)
    return Measurement(centres, level_db(power_in_bands(background, centres, 3)), "noise")


def polarity_of(read: Arrival) -> Polarity:
    """The polarity that a reading proves, "unclear" where it proves none."""
    if read.sureness < SURE or read.margin < MARGIN:
        return "unclear"
    return "inverted" if read.inverted else "normal"
