"""Test signals: sweeps, pink noise, tones, pulses and the naming of channels, each with its marks.

Every signal is a function of time, so that it can be written at any clock: at a player's to be
played, and at a recorder's to be compared with what was recorded. A signal is laid out as

    quiet, mark, gap, what is measured with, tail (ring-down, then quiet for the noise), mark

and that as often as there are speakers to be heard one after another. The mark is a short sweep
from high to low, so that no sweep from low to high is taken for it; two of them at a known
distance say where the signal is and how far the two clocks are apart.

Exponential sweep: A. Farina, "Simultaneous measurement of impulse response and distortion with a
swept-sine technique", AES 108th Convention, preprint 5093 (2000); ISO 18233:2006, Annex B (from
memory). Levels against the level of a sine at digital full scale: AES17-2020 (from memory).
"""

import math
from typing import Final, Literal, NamedTuple

import msgspec
import numpy as np

from wiring.errors import WiringError, require_figure, require_finite, require_positive
from wiring.measure.lengths import good_length
from wiring.tuning.arrays import Floats, require_numbers

Kind = Literal["sweep", "pink", "tone", "pulse", "channels"]
Where = Literal["all", "left", "right"]

LEAD_S: Final = 1.0
MARK_S: Final = 0.5
GAP_S: Final = 0.5
RING_S: Final = 0.6
"""What a car still sounds after the signal, with room to spare; then it is quiet."""
TAIL_S: Final = 1.6
END_S: Final = 0.5
MARK_LOW_HZ: Final = 16.0
MARK_HIGH_HZ: Final = 21_000.0
RUN_IN: Final = 1.25
"""A sweep fades in up to this many times its lowest frequency, and is used from there."""
RUN_OUT: Final = 1.05
PULSE_S: Final = 0.000_25
PULSE_EVERY_S: Final = 0.25
PULSES: Final = 16
BURST_S: Final = 0.2
PINK_S: Final = 5.0
"""Noise that comes again so seldom sounds like noise, and has lines a fifth of a hertz apart."""
FADE_S: Final = 0.02
RATES_HZ: Final = (44_100.0, 48_000.0, 88_200.0, 96_000.0)
LOUDEST_DBFS: Final = -3.0
QUIETEST_DBFS: Final = -80.0
LONGEST_S: Final = 120.0
SINE_CREST_DB: Final = 10 * math.log10(2)

CAUTIONS: Final = (
    "Hearing: begin at the lowest level and raise it by hand only; nobody sits in the car at a "
    "level that is unpleasant, and whoever must wears ear protection.",
    "Engine off indoors: exhaust gas kills. Keep the battery on a charger meanwhile.",
    "Doors and windows as the car is driven; fan, rain and phone quiet.",
    "A tweeter is measured with its high-pass set: a sweep begins far under what it takes.",
)
"""What stands before every signal that is played; common practice, no source."""

CHANNEL_NAMES: Final[dict[int, tuple[str, ...]]] = {
    1: ("all",),
    2: ("left", "right"),
    4: ("front left", "front right", "rear left", "rear right"),
}
"""In the order of the file: front left, front right, back left, back right."""


class SignalSpec(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """All there is to know of a signal: the same one is made from it again at any time.

    `seconds` is the length of one sweep, tone or stretch of noise. `level_dbfs` is the level
    against a sine at digital full scale. `count` is how often it is played, one speaker each time,
    `pause_s` apart. `play_on` says which side of the file holds the signal and `mark_on` which the
    marks: with both apart, the marks come from a reference speaker of the other side.
    Raises WiringError for what cannot be played.
    """

    kind: Kind = "sweep"
    sample_rate_hz: float = 48_000.0
    level_dbfs: float = -20.0
    seconds: float = 5.0
    low_hz: float = MARK_LOW_HZ
    high_hz: float = MARK_HIGH_HZ
    count: int = 1
    pause_s: float = 5.0
    crest_db: float = 12.0
    tone_hz: float = 1_000.0
    channels: int = 2
    play_on: Where = "all"
    mark_on: Where = "all"

    def __post_init__(self) -> None:
        if require_positive("sample_rate_hz", self.sample_rate_hz, "Hz") not in RATES_HZ:
            known = ", ".join(f"{rate:g}" for rate in RATES_HZ)
            raise WiringError("sample_rate_hz", f"signals are made at {known} Hz")
        require_finite("level_dbfs", self.level_dbfs, "dB")
        if not QUIETEST_DBFS <= self.level_dbfs <= LOUDEST_DBFS:
            raise WiringError(
                "level_dbfs",
                f"{self.level_dbfs:g} dB is not from {QUIETEST_DBFS:g} to {LOUDEST_DBFS:g} dB",
            )
        if require_positive("seconds", self.seconds, "s") > LONGEST_S:
            raise WiringError("seconds", f"{self.seconds:g} s is longer than {LONGEST_S:g} s")
        if self.kind == "sweep" and self.seconds < 1:
            raise WiringError(
                "seconds", f"a sweep of {self.seconds:g} s is too short: 1 s at least"
            )
        half = self.sample_rate_hz / 2
        low = require_positive("low_hz", self.low_hz, "Hz")
        high = require_positive("high_hz", self.high_hz, "Hz")
        if low < 5 or high >= half or high < 4 * low:
            raise WiringError(
                "high_hz", f"{low:g} to {high:g} Hz is not two octaves from 5 to {half:g} Hz"
            )
        if not 1 <= self.count <= 32:
            raise WiringError("count", f"{self.count} times: from 1 to 32")
        require_positive("pause_s", self.pause_s, "s")
        if self.pause_s > 60:
            raise WiringError("pause_s", f"{self.pause_s:g} s is longer than a minute")
        if require_positive("tone_hz", self.tone_hz, "Hz") >= half:
            raise WiringError("tone_hz", f"{self.tone_hz:g} Hz is not below {half:g} Hz")
        require_figure("crest_db", self.crest_db, "dB")
        if self.kind == "pink" and not 6 <= self.crest_db <= 13:
            raise WiringError("crest_db", f"{self.crest_db:g} dB: noise is made with 6 to 13 dB")
        room = self.level_dbfs - SINE_CREST_DB + self.crest_db
        if self.kind == "pink" and room > 0:
            raise WiringError("level_dbfs", f"the peaks of this noise are {room:.1f} dB too high")
        if self.channels not in CHANNEL_NAMES:
            raise WiringError("channels", f"{self.channels} channels: 1, 2 or 4")
        if self.channels == 1 and (self.play_on, self.mark_on) != ("all", "all"):
            raise WiringError("play_on", "one channel has no sides")

    @property
    def usable_hz(self) -> tuple[float, float]:
        """The band a sweep measures: without its run-in and run-out [Hz]."""
        return self.low_hz * RUN_IN, self.high_hz / RUN_OUT

    @property
    def stretches(self) -> tuple[str, ...]:
        """What is played one after another: channels by name, else each time the signal."""
        if self.kind != "channels":
            return tuple(str(number + 1) for number in range(self.count))
        return CHANNEL_NAMES[4] if self.channels == 4 else ("left", "right", "front", "rear")

    @property
    def stretch_s(self) -> float:
        """From one mark's beginning to the beginning of the mark after it [s]."""
        return MARK_S + GAP_S + self.payload_s + TAIL_S

    @property
    def payload_s(self) -> float:
        """Length of what is measured with [s]."""
        return PULSES * PULSE_EVERY_S if self.kind == "pulse" else self.seconds

    @property
    def period_s(self) -> float:
        """From one stretch to the next [s]."""
        return self.stretch_s + MARK_S + self.pause_s

    @property
    def length_s(self) -> float:
        """Of the whole signal [s]."""
        return LEAD_S + (len(self.stretches) - 1) * self.period_s + self.stretch_s + MARK_S + END_S


class Sweep(NamedTuple):
    """An exponential sweep: its lowest and highest frequency [Hz] and its length [s]."""

    low_hz: float
    high_hz: float
    seconds: float

    @property
    def rate_s(self) -> float:
        """Time in which the frequency grows by the factor e [s]."""
        return self.seconds / math.log(self.high_hz / self.low_hz)

    def at(self, times_s: Floats) -> Floats:
        """The sweep at moments after its beginning, peak 1, faded at both ends; 0 outside."""
        rate = self.rate_s
        inside = np.clip(times_s, 0.0, self.seconds)
        wave = np.sin(2 * np.pi * self.low_hz * rate * np.expm1(inside / rate))
        rise = _ramp(times_s, rate * math.log(RUN_IN))
        fall = _ramp(self.seconds - times_s, rate * math.log(RUN_OUT))
        return np.asarray(wave * rise * fall)


MARK: Final = Sweep(MARK_LOW_HZ, MARK_HIGH_HZ, MARK_S)


class Signal(NamedTuple):
    """A signal to be played: one row of samples a channel, full scale 1."""

    spec: SignalSpec
    samples: Floats
    cautions: tuple[str, ...] = CAUTIONS

    @property
    def crest_db(self) -> float:
        """Peak over RMS of what is measured with [dB]: between the marks, in its first channel."""
        rate = self.spec.sample_rate_hz
        first = round((LEAD_S + MARK_S + GAP_S) * rate)
        own = self.samples[:, first : first + round(self.spec.payload_s * rate)]
        loudest = own[int(np.argmax(np.sum(own**2, axis=1)))]
        return crest_db(loudest)


def sweep_of(spec: SignalSpec) -> Sweep:
    """The sweep of a spec."""
    return Sweep(spec.low_hz, spec.high_hz, spec.seconds)


def mark_at(times_s: Floats) -> Floats:
    """The timing mark at moments after its beginning [s]: a sweep from high to low, peak 1."""
    require_numbers("times_s", times_s)
    return MARK.at(MARK_S - times_s)


def times_s(seconds: float, clock_hz: float) -> Floats:
    """Moments of samples over a stretch of time at a clock [s]. Raises WiringError."""
    count = math.ceil(require_positive("seconds", seconds, "s") * _clock(clock_hz) - 1e-9)
    return np.arange(count) / clock_hz


def pulse_at(times: Floats) -> Floats:
    """One polarity pulse at moments after its beginning [s]: it only pushes, peak 1."""
    require_numbers("times", times)
    inside = (times >= 0) & (times <= PULSE_S)
    return np.where(inside, np.sin(np.pi * np.clip(times / PULSE_S, 0, 1)) ** 2, 0.0)


def make(spec: SignalSpec) -> Signal:
    """The signal of a spec, a row of samples for each channel. The same spec gives the same."""
    rate = spec.sample_rate_hz
    samples = np.zeros((spec.channels, math.ceil(spec.length_s * rate)))
    gain = 10 ** (spec.level_dbfs / 20)
    mark = gain * mark_at(times_s(MARK_S, rate))
    own = [gain * each for each in _payloads(spec)]
    for number, name in enumerate(spec.stretches):
        begin = LEAD_S + number * spec.period_s
        for moment in (begin, begin + spec.stretch_s):
            _put(samples, _rows(spec, spec.mark_on), mark, moment * rate)
        where = spec.play_on if spec.kind != "channels" else name
        payload = own[number % len(own)]
        _put(samples, _rows(spec, where), payload, (begin + MARK_S + GAP_S) * rate)
    return Signal(spec, samples)


def crest_db(samples: Floats) -> float:
    """Peak over RMS [dB]. Raises WiringError on silence and on what is no number."""
    require_numbers("samples", samples)
    rms = math.sqrt(float(np.mean(samples**2))) if samples.size else 0.0
    if rms == 0:
        raise WiringError("samples", "there is silence only")
    return 20 * math.log10(float(np.max(np.abs(samples))) / rms)


def pink(seconds: float, clock_hz: float, low_hz: float, high_hz: float, crest: float) -> Floats:
    """Pink noise with RMS 1 that goes on without a seam, its peaks `crest` dB over that.

    Random phases under a fixed spectrum; peaks are cut and the spectrum put back until both hold.
    It comes again every PINK_S seconds. Seeded: the same call gives the same noise. Raises
    WiringError.
    """
    whole = math.ceil(require_positive("seconds", seconds, "s") * _clock(clock_hz) - 1e-9)
    count = good_length(math.ceil(PINK_S * clock_hz))
    require_positive("low_hz", low_hz, "Hz")
    require_positive("high_hz", high_hz, "Hz")
    require_figure("crest", crest, "dB")
    frequencies = np.fft.rfftfreq(count, 1 / clock_hz)
    inside = (frequencies >= low_hz) & (frequencies <= high_hz)
    shape = np.where(inside, 1 / np.sqrt(np.maximum(frequencies, low_hz)), 0.0)
    phases = np.random.default_rng(61260).uniform(-np.pi, np.pi, frequencies.size)
    peak = 10 ** (crest / 20)
    noise = _unit(np.fft.irfft(shape * np.exp(1j * phases), count))
    for _ in range(_CREST_ROUNDS):
        over = float(np.max(np.abs(noise))) / peak
        if over <= _CREST_CLOSE:
            break
        cut = np.clip(noise, -peak / over**0.5, peak / over**0.5)
        noise = _unit(np.fft.irfft(shape * np.exp(1j * np.angle(np.fft.rfft(cut))), count))
    return np.resize(np.clip(noise, -peak, peak), whole)


_CREST_ROUNDS: Final = 200
_CREST_CLOSE: Final = 1.01


def _unit(samples: Floats) -> Floats:
    return np.asarray(samples / np.sqrt(np.mean(samples**2)))


def _payloads(spec: SignalSpec) -> list[Floats]:
    """What is measured with, peak 1 (noise: RMS of a sine of peak 1), one for each time."""
    rate = spec.sample_rate_hz
    times = times_s(spec.payload_s, rate)
    edges = _ramp(times, FADE_S) * _ramp(spec.payload_s - times, FADE_S)
    if spec.kind == "sweep":
        return [sweep_of(spec).at(times)]
    if spec.kind == "tone":
        return [np.sin(2 * np.pi * spec.tone_hz * times) * edges]
    if spec.kind == "pulse":
        return [pulse_at(np.mod(times, PULSE_EVERY_S))]
    low, high = spec.usable_hz
    if spec.kind == "pink":
        noise = pink(spec.payload_s, rate, low, high, spec.crest_db) / math.sqrt(2)
        return [noise * edges]
    noise = pink(spec.payload_s, rate, 200.0, 4_000.0, 12.0) / math.sqrt(2)
    return [noise * edges * _bursts(times, number + 1) for number in range(len(spec.stretches))]


def _bursts(times: Floats, count: int) -> Floats:
    """As many short bursts as the number of the channel, then sound that stays on."""
    gate = np.zeros(times.size)
    for number in range(count):
        since = times - number * 2 * BURST_S
        gate = np.maximum(gate, _ramp(since, FADE_S / 2) * _ramp(BURST_S - since, FADE_S / 2))
    return np.maximum(gate, _ramp(times - 2 * BURST_S * (count + 1), FADE_S))


def _rows(spec: SignalSpec, where: str) -> list[int]:
    """The channels of the file a name stands for; front and rear of two channels are both."""
    names = CHANNEL_NAMES[spec.channels]
    rows = [index for index, name in enumerate(names) if where in name.split() or where == name]
    return rows or list(range(spec.channels))


def _put(samples: Floats, rows: list[int], wave: Floats, begin: float) -> None:
    first = round(begin)
    for row in rows:
        samples[row, first : first + wave.size] += wave


def _ramp(times: Floats, seconds: float) -> Floats:
    """0 before, 1 after `seconds`, half a cosine between."""
    ramp = np.where(times >= seconds, 1.0, 0.0)
    begun = (times > 0) & (times < seconds)
    ramp[begun] = 0.5 - 0.5 * np.cos(np.pi * times[begun] / seconds)
    return ramp


def _clock(clock_hz: float) -> float:
    return require_positive("clock_hz", clock_hz, "Hz")
