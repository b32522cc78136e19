"""Complex response of every channel of a plan and of their sums.

What the settings do: crossovers, equaliser, level, delay and polarity, through every device on
the way. Drivers and the cabin are taken as flat unless their responses are given.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from wiring.channels.signal_path import driven, signal_path
from wiring.context import Context
from wiring.errors import require_finite, require_not_negative, require_positive
from wiring.filters import passive
from wiring.filters.biquads import ASSUMED_SAMPLE_RATE_HZ, IDENTITY, Biquad, setting_biquads
from wiring.filters.crossovers import CrossoverError, analogue_response, stated_corners
from wiring.loads import speaker_load_ohm
from wiring.names import channel_name
from wiring.plan import Channel, Plan, Setting, Speaker
from wiring.positions import POSITIONS
from wiring.tuning.alignment import speed_of_sound_m_s
from wiring.tuning.arrays import require_frequencies, require_numbers

Floats = npt.NDArray[np.float64]
Complexes = npt.NDArray[np.complex128]

LOWEST_HZ: Final = 20.0
HIGHEST_HZ: Final = 20_000.0
FLOOR_DB: Final = -120.0


def log_grid(points: int = 512, low_hz: float = LOWEST_HZ, high_hz: float = HIGHEST_HZ) -> Floats:
    """Frequencies evenly spread on a logarithmic scale [Hz]."""
    return np.geomspace(
        require_positive("low_hz", low_hz, "Hz"), require_positive("high_hz", high_hz, "Hz"), points
    )


def decibels(response: Complexes | Floats) -> Floats:
    """Magnitude [dB], not below FLOOR_DB."""
    require_numbers("response", response)
    magnitude = np.maximum(np.abs(response), 10 ** (FLOOR_DB / 20))
    return np.asarray(20 * np.log10(magnitude), dtype=np.float64)


def phase_deg(response: Complexes) -> Floats:
    """Phase [degrees] between -180 and 180."""
    require_numbers("response", response)
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
    require_frequencies("frequencies_hz", frequencies_hz)
    require_positive("sample_rate_hz", sample_rate_hz, "Hz")
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


def delay_response(delay_ms: float, frequencies_hz: Floats) -> Complexes:
    """What a delay does: magnitude 1, phase -360 f t. Raises WiringError on what is no number."""
    require_finite("delay_ms", delay_ms, "ms")
    require_frequencies("frequencies_hz", frequencies_hz)
    return np.asarray(np.exp(-2j * np.pi * frequencies_hz * (delay_ms / 1000)))


def _gain(setting: Setting) -> float:
    """Level and polarity of a setting as a factor, 0 when muted."""
    require_finite("level_db", setting.level_db, "dB")
    if setting.muted:
        return 0.0
    return float(10 ** (setting.level_db / 20)) * (-1 if setting.inverted else 1)


def passive_response(speaker: Speaker, frequencies_hz: Floats) -> Complexes | None:
    """What passive parts leave of the channel's voltage at a speaker, None where it has none.

    The driver is taken as a resistance. Raises CrossoverError for a stated filter that does not
    exist.
    """
    own = speaker.passive
    if own is None:
        return None
    gain: Complexes = np.ones(frequencies_hz.size, dtype=np.complex128)
    if own.parts:
        gain = passive.solve(own.parts, speaker_load_ohm(speaker), frequencies_hz).gain
    for crossover, direction in stated_corners(own):
        gain = gain * analogue_response(crossover, direction, frequencies_hz)
    return -gain if own.inverted else gain


@dataclass(frozen=True)
class Curve:
    """A response with its name; `kind` is channel, place, side or whole.

    `delay_ms` is the part of the response that is a plain delay.
    """

    id: str
    label: str
    kind: str
    frequencies_hz: Floats
    response: Complexes
    delay_ms: float = 0.0

    @property
    def magnitude_db(self) -> Floats:
        """Level [dB]."""
        return decibels(self.response)

    @property
    def undelayed(self) -> Complexes:
        """The response without its plain delay."""
        return self.response * delay_response(-self.delay_ms, self.frequencies_hz)

    @property
    def group_delay_ms(self) -> Floats:
        """Group delay [ms] from the slope of the phase; nan where nothing comes through.

        The plain delay is added at the end: its phase turns too fast to be followed.
        """
        unwrapped = np.unwrap(np.angle(self.undelayed))
        slope = np.gradient(unwrapped, 2 * np.pi * self.frequencies_hz)
        quiet = np.abs(self.response) <= 10 ** (FLOOR_DB / 20)
        delay_ms = np.where(quiet, np.nan, self.delay_ms - slope * 1000)
        return np.asarray(delay_ms, dtype=np.float64)


@dataclass(frozen=True)
class PlanResponse:
    """Curves of a plan: each channel, then sums over a place in the car, a side, all.

    `places` is keyed by zone and side ("front_left"). `problems` maps a channel that has no curve
    to the reason; `assumed` says what was taken for granted.
    """

    frequencies_hz: Floats
    channels: dict[str, Curve]
    places: dict[str, Curve]
    sides: dict[str, Curve]
    whole: Curve | None
    problems: dict[str, str]
    assumed: tuple[str, ...] = field(default=())


class Through(NamedTuple):
    """What reaches a channel's output: response without delays, and the delays' sum [ms]."""

    response: Complexes
    delay_ms: float


def through(
    context: Context, channels: Iterable[Channel], frequencies_hz: Floats
) -> tuple[dict[str, Through], dict[str, str]]:
    """Each channel from its first known source on, and the reason for those that have none."""
    batches: dict[float, list[tuple[str, Setting, tuple[Biquad, ...]]]] = {}
    problems: dict[str, str] = {}
    products: dict[str, Complexes] = {}
    delays: dict[str, float] = {}
    for channel in channels:
        stages = []
        try:
            for stage in signal_path(context, channel):
                device = context.devices.get(stage.device)
                rate = (device.sample_rate_hz if device else None) or ASSUMED_SAMPLE_RATE_HZ
                stages.append((rate, stage.setting, setting_biquads(stage.setting, rate)))
        except CrossoverError as error:
            problems[channel.id] = error.reason
            continue
        products[channel.id] = np.ones(frequencies_hz.size, dtype=np.complex128)
        delays[channel.id] = sum(setting.delay_ms for _, setting, _ in stages)
        for rate, setting, biquads in stages:
            batches.setdefault(rate, []).append((channel.id, setting, biquads))
    for rate, entries in batches.items():
        filtered = evaluate([entry[2] for entry in entries], frequencies_hz, rate)
        for (channel_id, setting, _), row in zip(entries, filtered, strict=True):
            products[channel_id] = products[channel_id] * row * _gain(setting)
    return {key: Through(products[key], delays[key]) for key in products}, problems


def plan_response(
    plan: Plan | Context,
    frequencies_hz: Floats | None = None,
    distances_m: Mapping[str, float] | None = None,
    acoustic: Mapping[str, Complexes] | None = None,
    air_c: float = 20.0,
) -> PlanResponse:
    """Curves of every channel that drives a speaker, and their sums.

    With the distance [m] of every driven speaker to the seat, by speaker id, sums are as they
    arrive there. Without, delays are taken to make up for the distances, so that sums have
    neither. `acoustic` holds, by speaker id, what driver and place add, at the same frequencies; a
    speaker without one is taken as flat. What stands passively before a speaker is in the curve of
    its channel (of several, their sum) and in every sum. Centre speakers count in their place and
    in the whole.
    """
    context = plan if isinstance(plan, Context) else Context(plan)
    grid = log_grid() if frequencies_hz is None else frequencies_hz
    for name, distance in (distances_m or {}).items():
        require_not_negative(f"distances_m.{name}", distance, "m")
    for name, own in (acoustic or {}).items():
        require_numbers(f"acoustic.{name}", own)
    pairs = list(driven(context))
    channels = {channel.id: channel for channel, _ in pairs}
    passed, problems = through(context, channels.values(), grid)
    behind: dict[str, Complexes] = {}
    for channel, speaker in pairs:
        try:
            gain = passive_response(speaker, grid)
        except CrossoverError as error:
            problems[channel.id] = f"{speaker.name}: {error.reason}"
            passed.pop(channel.id, None)
            continue
        if gain is not None:
            behind[speaker.id] = gain
    given, distances = acoustic or {}, distances_m or {}
    placed = bool(pairs) and all(speaker.id in distances for _, speaker in pairs)
    speed = speed_of_sound_m_s(air_c)
    nearest = min(distances.values(), default=0.0)
    curves = {
        key: Curve(
            key,
            channel_name(context, channels[key]),
            "channel",
            grid,
            each.response * _behind(channels[key], behind) * delay_response(each.delay_ms, grid),
            each.delay_ms,
        )
        for key, each in passed.items()
    }
    places: dict[str, Complexes] = {}
    sides: dict[str, Complexes] = {}
    whole: dict[str, Complexes] = {}
    for channel, speaker in pairs:
        if channel.id not in passed:
            continue
        heard = passed[channel.id].response
        if speaker.id in behind:
            heard = heard * behind[speaker.id]
        if placed:
            way_ms = (distances[speaker.id] - nearest) / speed * 1000
            heard = heard * delay_response(passed[channel.id].delay_ms + way_ms, grid)
        if speaker.id in given:
            heard = heard * given[speaker.id]
        position = POSITIONS.get(speaker.position)
        if position is not None:
            _add(places, f"{position.zone}_{position.side}", heard)
            if position.side != "centre":
                _add(sides, position.side, heard)
        _add(whole, "whole", heard)
    return PlanResponse(
        grid,
        curves,
        {k: Curve(k, place_name(k), "place", grid, v) for k, v in places.items()},
        {k: Curve(k, f"{k.capitalize()} side", "side", grid, v) for k, v in sides.items()},
        Curve("whole", "All together", "whole", grid, whole["whole"]) if whole else None,
        problems,
        _assumed(context, channels.values(), pairs, given, placed),
    )


def _behind(channel: Channel, behind: Mapping[str, Complexes]) -> Any:
    """What passive parts make of a channel: its speakers' sum where some have any."""
    gains = [behind[each] for each in channel.speakers if each in behind]
    if not gains:
        return 1.0
    return np.sum(gains, axis=0) + float(len(channel.speakers) - len(gains))


_ZONE_NAMES: Final = {
    "front": "Front",
    "second": "Second row",
    "third": "Third row",
    "boot": "Boot",
}


def place_name(key: str) -> str:
    """ "Front left" for "front_left"; a centre place has the zone's name alone."""
    zone, side = key.rsplit("_", 1)
    return _ZONE_NAMES[zone] if side == "centre" else f"{_ZONE_NAMES[zone]} {side}"


def _add(sums: dict[str, Complexes], key: str, response: Complexes) -> None:
    sums[key] = sums[key] + response if key in sums else response


def _assumed(
    context: Context,
    channels: Iterable[Channel],
    pairs: Sequence[tuple[Channel, Speaker]],
    given: Mapping[str, Complexes],
    placed: bool,
) -> tuple[str, ...]:
    notes = []
    used = {channel.device: context.devices.get(channel.device) for channel in channels}
    rateless = [d.name for d in used.values() if d is not None and d.sample_rate_hz is None]
    if rateless:
        names = ", ".join(sorted(rateless))
        notes.append(f"sample rate taken as {ASSUMED_SAMPLE_RATE_HZ:g} Hz: {names}")
    if not placed:
        notes.append("in sums, delays are taken to make up for the distances to the seat")
    if any(speaker.passive is not None for _, speaker in pairs):
        notes.append("behind passive parts, each driver is taken as a resistance of its load")
    flat = sum(speaker.id not in given for _, speaker in pairs)
    if flat:
        notes.append(f"{flat} of {len(pairs)} speakers taken as flat")
    return tuple(notes)
