"""Complex response of every channel of a plan and of their sums.

What the settings do: crossovers, equaliser, level, delay and polarity, through every device on
the way. Drivers and the cabin are taken as flat unless their responses are given.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from wiring.biquads import ASSUMED_SAMPLE_RATE_HZ, IDENTITY, Biquad, setting_biquads
from wiring.channel_plan import (
    channel_name,
    driven,
    position_name,
    signal_path,
    speaker_name,
)
from wiring.context import Context
from wiring.crossovers import CrossoverError
from wiring.plan import Channel, Plan, Setting, Speaker
from wiring.positions import POSITIONS

Floats = npt.NDArray[np.float64]
Complexes = npt.NDArray[np.complex128]

LOWEST_HZ: Final = 20.0
HIGHEST_HZ: Final = 20_000.0
FLOOR_DB: Final = -120.0


def log_grid(points: int = 512, low_hz: float = LOWEST_HZ, high_hz: float = HIGHEST_HZ) -> Floats:
    """Frequencies evenly spread on a logarithmic scale [Hz]."""
    return np.geomspace(low_hz, high_hz, points)


def decibels(response: Complexes | Floats) -> Floats:
    """Magnitude [dB], not below FLOOR_DB."""
    magnitude = np.maximum(np.abs(response), 10 ** (FLOOR_DB / 20))
    return np.asarray(20 * np.log10(magnitude), dtype=np.float64)


def phase_deg(response: Complexes) -> Floats:
    """Phase [degrees] between -180 and 180."""
    return np.asarray(np.degrees(np.angle(response)), dtype=np.float64)


def _table(stacks: Sequence[Sequence[Biquad]]) -> tuple[Floats, Floats]:
    """Numerators and denominators, padded to one length: sums that keep precision near 0 Hz.

    At z = exp(jw) a polynomial c0 + c1/z + c2/z^2 is (1/z)(S - 2 P sin^2(w/2) + j D sin w) with
    S = c0 + c1 + c2, P = c0 + c2, D = c0 - c2; the factor 1/z cancels between the two.
    """
    longest = max((len(stack) for stack in stacks), default=0) or 1
    padded = [(*stack, *[IDENTITY] * (longest - len(stack))) for stack in stacks]
    b = np.array(padded, dtype=np.float64).reshape(len(stacks), longest, 5)
    top = np.stack(
        (b[..., 0] + b[..., 1] + b[..., 2], b[..., 0] + b[..., 2], b[..., 0] - b[..., 2]), -1
    )
    bottom = np.stack((1 + b[..., 3] + b[..., 4], 1 + b[..., 4], 1 - b[..., 4]), -1)
    return top, bottom


def _basis(frequencies_hz: Floats, sample_rate_hz: float) -> Floats:
    w = 2 * np.pi * frequencies_hz / sample_rate_hz
    basis = np.zeros((3, frequencies_hz.size, 2))
    basis[0, :, 0] = 1.0
    basis[1, :, 0] = -2 * np.sin(w / 2) ** 2
    basis[2, :, 1] = np.sin(w)
    return basis.reshape(3, -1)


def evaluate(
    stacks: Sequence[Sequence[Biquad]], frequencies_hz: Floats, sample_rate_hz: float
) -> Complexes:
    """Responses of several rows of sections: one row of the result for each.

    One matrix product for all sections at all frequencies, then a product along each row.
    """
    if not stacks:
        return np.empty((0, frequencies_hz.size), dtype=np.complex128)
    top, bottom = _table(stacks)
    basis = _basis(frequencies_hz, sample_rate_hz)
    shape = (*top.shape[:2], frequencies_hz.size)
    numerator = (top.reshape(-1, 3) @ basis).view(np.complex128).reshape(shape)
    denominator = (bottom.reshape(-1, 3) @ basis).view(np.complex128).reshape(shape)
    response: Complexes = np.multiply.reduce(numerator, axis=1)
    response /= np.multiply.reduce(denominator, axis=1)
    return response


def filter_group_delay_s(
    stack: Sequence[Biquad], frequencies_hz: Floats, sample_rate_hz: float
) -> Floats:
    """Group delay of a row of sections, -d(phase)/d(omega), from the exact derivative [s]."""
    if not stack:
        return np.zeros(frequencies_hz.size)
    w = 2 * np.pi * frequencies_hz / sample_rate_hz
    square, sine, cosine = np.sin(w / 2) ** 2, np.sin(w), np.cos(w)

    def turning(table: Floats) -> Floats:
        s, p, d = (table[0, :, index, None] for index in range(3))
        real, imaginary = s - 2 * p * square, d * sine
        rate = (real * d * cosine + imaginary * p * sine) / (real**2 + imaginary**2)
        return np.asarray(rate.sum(axis=0), dtype=np.float64)

    top, bottom = _table([stack])
    return (turning(bottom) - turning(top)) / sample_rate_hz


def _outside(setting: Setting, frequencies_hz: Floats) -> Complexes:
    """Level, delay and polarity of a setting."""
    if setting.muted:
        return np.zeros(frequencies_hz.size, dtype=np.complex128)
    gain = 10 ** (setting.level_db / 20) * (-1 if setting.inverted else 1)
    if setting.delay_ms == 0:
        return np.full(frequencies_hz.size, gain, dtype=np.complex128)
    turns: Complexes = np.exp(-2j * np.pi * frequencies_hz * (setting.delay_ms / 1000))
    return gain * turns


def setting_response(
    setting: Setting,
    frequencies_hz: Floats,
    sample_rate_hz: float = ASSUMED_SAMPLE_RATE_HZ,
) -> Complexes:
    """Response of one setting with level, delay and polarity. Raises CrossoverError."""
    filters = evaluate([setting_biquads(setting, sample_rate_hz)], frequencies_hz, sample_rate_hz)
    return np.asarray(filters[0] * _outside(setting, frequencies_hz))


@dataclass(frozen=True)
class Curve:
    """A response with its name; `kind` is channel, position, side or whole."""

    id: str
    label: str
    kind: str
    frequencies_hz: Floats
    response: Complexes

    @property
    def magnitude_db(self) -> Floats:
        """Level [dB]."""
        return decibels(self.response)

    @property
    def phase_deg(self) -> Floats:
        """Phase [degrees], -180 to 180."""
        return phase_deg(self.response)

    @property
    def group_delay_ms(self) -> Floats:
        """Group delay [ms] from the slope of the phase; nan where nothing comes through."""
        unwrapped = np.unwrap(np.angle(self.response))
        slope = np.gradient(unwrapped, 2 * np.pi * self.frequencies_hz)
        quiet = np.abs(self.response) <= 10 ** (FLOOR_DB / 20)
        return np.asarray(np.where(quiet, np.nan, -slope * 1000), dtype=np.float64)


@dataclass(frozen=True)
class PlanResponse:
    """Curves of a plan. `problems` maps a channel that has no curve to the reason."""

    frequencies_hz: Floats
    channels: dict[str, Curve]
    positions: dict[str, Curve]
    sides: dict[str, Curve]
    whole: Curve | None
    problems: dict[str, str]
    assumed: tuple[str, ...] = field(default=())


def channel_responses(
    context: Context, channels: Iterable[Channel], frequencies_hz: Floats
) -> tuple[dict[str, Complexes], dict[str, str]]:
    """Response of each channel from the first known source on, and why some have none."""
    stages: dict[float, list[tuple[str, Setting, tuple[Biquad, ...]]]] = {}
    problems: dict[str, str] = {}
    found: dict[str, Complexes] = {}
    for channel in channels:
        try:
            rows = []
            for stage in signal_path(context, channel):
                device = context.devices.get(stage.device)
                rate = (device.sample_rate_hz if device else None) or ASSUMED_SAMPLE_RATE_HZ
                rows.append((rate, stage.setting, setting_biquads(stage.setting, rate)))
        except CrossoverError as error:
            problems[channel.id] = error.reason
            continue
        found[channel.id] = np.ones(frequencies_hz.size, dtype=np.complex128)
        for rate, setting, biquads in rows:
            stages.setdefault(rate, []).append((channel.id, setting, biquads))
    for rate, entries in stages.items():
        filtered = evaluate([entry[2] for entry in entries], frequencies_hz, rate)
        for (channel_id, setting, _), row in zip(entries, filtered, strict=True):
            found[channel_id] = found[channel_id] * row * _outside(setting, frequencies_hz)
    return found, problems


def plan_response(
    plan: Plan | Context,
    frequencies_hz: Floats | None = None,
    acoustic: Mapping[str, Complexes] | None = None,
) -> PlanResponse:
    """Curves of every channel that drives a speaker, summed per position, per side and whole.

    `acoustic` holds, by speaker id, what driver, place and distance add on the way to the seat,
    at the same frequencies; a speaker without one is taken as flat and at no distance. Centre
    speakers count in the whole only.
    """
    context = plan if isinstance(plan, Context) else Context(plan)
    grid = log_grid() if frequencies_hz is None else frequencies_hz
    pairs = list(driven(context))
    channels = {channel.id: channel for channel, _ in pairs}
    responses, problems = channel_responses(context, channels.values(), grid)
    given = acoustic or {}
    curves = {
        key: Curve(key, channel_name(context, channels[key]), "channel", grid, response)
        for key, response in responses.items()
    }
    positions: dict[str, Complexes] = {}
    sides: dict[str, Complexes] = {}
    whole: Complexes | None = None
    for channel, speaker in pairs:
        response = responses.get(channel.id)
        if response is None:
            continue
        heard = response * given[speaker.id] if speaker.id in given else response
        _add(positions, speaker.position, heard)
        place = POSITIONS.get(speaker.position)
        if place is not None and place.side != "centre":
            _add(sides, place.side, heard)
        whole = heard if whole is None else whole + heard
    return PlanResponse(
        grid,
        curves,
        {
            k: Curve(k, position_name(k).capitalize(), "position", grid, v)
            for k, v in positions.items()
        },
        {k: Curve(k, f"{k.capitalize()} side", "side", grid, v) for k, v in sides.items()},
        None if whole is None else Curve("whole", "All together", "whole", grid, whole),
        problems,
        _assumed(context, channels.values(), pairs, given),
    )


def _add(sums: dict[str, Complexes], key: str, response: Complexes) -> None:
    sums[key] = sums[key] + response if key in sums else response


def _assumed(
    context: Context,
    channels: Iterable[Channel],
    pairs: Sequence[tuple[Channel, Speaker]],
    given: Mapping[str, Complexes],
) -> tuple[str, ...]:
    said = []
    devices = {channel.device for channel in channels}
    rateless = sorted(
        context.devices[each].name
        for each in devices
        if each in context.devices and context.devices[each].sample_rate_hz is None
    )
    if rateless:
        said.append(f"sample rate taken as {ASSUMED_SAMPLE_RATE_HZ:g} Hz: {', '.join(rateless)}")
    flat = [speaker_name(speaker) for _, speaker in pairs if speaker.id not in given]
    if flat:
        said.append(f"taken as flat and at no distance: {len(flat)} of {len(pairs)} speakers")
    return tuple(said)
