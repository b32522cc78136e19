"""Setting levels: target voltages, test tones, input sensitivity, and the order of the work."""

import math
from collections.abc import Mapping, Sequence
from typing import Final, Literal

import msgspec

from wiring.channels.signal_path import band_hz
from wiring.context import Context
from wiring.errors import WiringError, require_finite, require_not_negative, require_positive
from wiring.findings import Figure
from wiring.loads import LoadError, channel_shares
from wiring.names import channel_name, speaker_name
from wiring.plan import Channel, Device, Plan

OHM: Final = "P = U^2 / R (Joule's law), U as root mean square of a sine"
COMMON_PRACTICE: Final = "common practice, no source"

DEFAULT_OVERLAP_DB: Final = 10.0
"""How far below full scale a track is taken to reach the rated power: common practice."""

_TONES_HZ: Final = (40.0, 50.0, 100.0, 315.0, 1_000.0, 4_000.0, 6_300.0)
_FAR_DB: Final = 1.0


def target_voltage_v(power_w: float, load_ohm: float) -> float:
    """RMS voltage of a sine that puts `power_w` [W] into `load_ohm` [ohm]: sqrt(P R)."""
    return math.sqrt(
        require_positive("power_w", power_w, "W") * require_positive("load_ohm", load_ohm, "ohm")
    )


def power_w(voltage_v: float, load_ohm: float) -> float:
    """Power of an RMS voltage in a load [W]: U^2 / R."""
    return require_not_negative("voltage_v", voltage_v, "V") ** 2 / require_positive(
        "load_ohm", load_ohm, "ohm"
    )


def ratio_db(voltage_v: float, reference_v: float) -> float:
    """Level of one voltage over another [dB]: 20 log10."""
    return 20 * math.log10(
        require_positive("voltage_v", voltage_v, "V")
        / require_positive("reference_v", reference_v, "V")
    )


def full_scale_v(measured_v: float, tone_dbfs: float) -> float:
    """Source voltage at digital full scale [V], from a tone's reading.

    `tone_dbfs` is the tone's level on its track, 0 or below. Raises WiringError above 0.
    """
    if require_finite("tone_dbfs", tone_dbfs, "dBFS") > 0:
        raise WiringError("tone_dbfs", f"{tone_dbfs:g} dBFS is above full scale")
    return require_positive("measured_v", measured_v, "V") * 10 ** (-tone_dbfs / 20)


def sensitivity_v(full_scale_source_v: float, overlap_db: float) -> float:
    """Input voltage that must give the rated power [V]: `overlap_db` below full scale."""
    require_not_negative("overlap_db", overlap_db, "dB")
    return require_positive("full_scale_source_v", full_scale_source_v, "V") * 10 ** (
        -overlap_db / 20
    )


def tone_target_v(rated_v: float, tone_dbfs: float, overlap_db: float) -> float:
    """What the meter must show with the tone playing [V] when the gain is right.

    A tone above `-overlap_db` would drive the amplifier past its rating: WiringError.
    """
    require_finite("tone_dbfs", tone_dbfs, "dBFS")
    require_not_negative("overlap_db", overlap_db, "dB")
    if tone_dbfs > -overlap_db + 1e-9:
        raise WiringError(
            "tone_dbfs",
            f"a tone at {tone_dbfs:g} dBFS with an overlap of {overlap_db:g} dB overdrives the "
            f"amplifier: play one at {-overlap_db:g} dBFS or below",
        )
    return require_positive("rated_v", rated_v, "V") * 10 ** ((tone_dbfs + overlap_db) / 20)


Verdict = Literal["ok", "too_little", "too_much", "unknown"]


class ChannelLevel(msgspec.Struct, frozen=True):
    """What to set on one amplifier channel.

    `power_w` is the channel's rated power into its load, or where that is less the power at which
    the first speaker reaches its rating (`limited_by` says which); `unrated` names speakers
    without a rating; `target_v` the RMS voltage for it, `tone_v` what the meter
    shows with the test tone. `sensitivity_v` is the suggested input setting, within the device's
    range; `verdict` says whether the source suffices. `measured_db` is a reading against
    `tone_v`.
    """

    channel_id: str
    name: str
    load_ohm: float
    power_w: float
    limited_by: Literal["amplifier", "speakers"]
    target_v: float
    tone_hz: float
    tone_v: float
    source_v: float | None
    sensitivity_v: float | None
    verdict: Verdict
    said: str
    measured_v: float | None
    measured_db: float | None
    figures: tuple[Figure, ...]
    unrated: tuple[str, ...] = ()


class Step(msgspec.Struct, frozen=True):
    """One step of the guide; `reading` names a value to write down, `caution` a danger."""

    number: int
    do: str
    why: str
    caution: str = ""
    reading: str = ""
    channel_ids: tuple[str, ...] = ()


class LevelGuide(msgspec.Struct, frozen=True):
    """Levels of all amplifier channels, the pairs that differ, and the steps in order."""

    channels: tuple[ChannelLevel, ...]
    steps: tuple[Step, ...]
    unmatched: tuple[str, ...]
    tone_dbfs: float
    overlap_db: float


def guide(
    plan: Plan | Context,
    overlap_db: float = DEFAULT_OVERLAP_DB,
    tone_dbfs: float | None = None,
    source_v: Mapping[str, float] | None = None,
    measured_v: Mapping[str, float] | None = None,
) -> LevelGuide:
    """Level setting for every amplifier channel with speakers.

    `source_v`, by device id, is the signal measured at its input with the test tone;
    `measured_v`, by channel id, what the meter showed at the output. Without `tone_dbfs` the tone
    is at `-overlap_db`. Raises WiringError for a tone or an overlap that cannot be used.
    """
    context = plan if isinstance(plan, Context) else Context(plan)
    tone = -overlap_db if tone_dbfs is None else tone_dbfs
    tone_target_v(1.0, tone, overlap_db)
    sources, readings = source_v or {}, measured_v or {}
    for field, values in (("source_v", sources), ("measured_v", readings)):
        for value in values.values():
            require_not_negative(field, value, "V")
    rows = []
    for channel in context.plan.channels:
        rated = context.power_w.get(channel.id)
        if channel.kind != "amplifier" or rated is None:
            continue
        rows.append(
            _row(
                context, channel, rated.power_w, tone, overlap_db,
                sources.get(channel.device), readings.get(channel.id),
            )
        )  # fmt: skip
    return LevelGuide(tuple(rows), _steps(context, rows, tone), _unmatched(rows), tone, overlap_db)


def tone_frequency_hz(context: Context, channel: Channel) -> float:
    """A usual test tone inside the channel's band: the one nearest its middle.

    The band is what all filters on the way leave, within 40 Hz and 6300 Hz.
    """
    low, high = band_hz(context, channel)
    bottom, top = max(20.0, low or 0.0), min(16_000.0, high or 16_000.0)
    inside = [tone for tone in _TONES_HZ if bottom * 1.25 <= tone <= top / 1.25]
    middle = math.sqrt(bottom * top)
    return min(inside or [middle], key=lambda tone: abs(math.log(tone / middle)))


def speakers_take_w(context: Context, channel: Channel) -> tuple[float | None, tuple[str, ...]]:
    """Channel power at which the first of its speakers reaches its rating [W], and who has none.

    The smallest of P / share, each speaker by its share of the channel's power. None without any
    rating.
    """
    try:
        shares = channel_shares(context.speakers, channel)
    except LoadError:
        shares = (1.0,) * len(channel.speakers)
    speakers = [context.speakers[each] for each in channel.speakers if each in context.speakers]
    rated = [
        speaker.power_w / share
        for speaker, share in zip(speakers, shares, strict=False)
        if speaker.power_w is not None and share > 0
    ]
    unrated = tuple(speaker_name(each) for each in speakers if each.power_w is None)
    return min(rated, default=None), unrated


def _row(
    context: Context,
    channel: Channel,
    rated_w: float,
    tone_dbfs: float,
    overlap_db: float,
    source: float | None,
    measured: float | None,
) -> ChannelLevel:
    load = context.load_ohm[channel.id]
    speakers_w, unrated = speakers_take_w(context, channel)
    limited = speakers_w is not None and speakers_w < rated_w
    power = speakers_w if limited and speakers_w is not None else rated_w
    target = target_voltage_v(power, load)
    tone = tone_target_v(target, tone_dbfs, overlap_db)
    device = context.devices[channel.device]
    wanted = None
    if source is not None:
        wanted = sensitivity_v(full_scale_v(source, tone_dbfs), overlap_db)
        if limited:
            wanted *= target_voltage_v(rated_w, load) / target
    verdict, text, wanted = _judge(device, wanted)
    return ChannelLevel(
        channel.id,
        channel_name(context, channel),
        load,
        power,
        "speakers" if limited else "amplifier",
        target,
        tone_frequency_hz(context, channel),
        tone,
        source,
        wanted,
        verdict,
        text,
        measured,
        ratio_db(measured, tone) if measured else None,
        (
            Figure("Target voltage", target, "V", "U = sqrt(P R)",
                   f"sqrt({power:.4g} W x {load:.3g} ohm)", OHM,
                   ("nominal load",
                    "smallest of rating / share of the speakers" if limited else "rated power",
                    *(f"rating of the {name} not known" for name in unrated))),
            Figure("With the test tone", tone, "V", "U x 10^((tone + extra) / 20)",
                   f"{target:.2f} V x 10^(({tone_dbfs:g} + {overlap_db:g}) / 20)", OHM,
                   (f"extra gain of {overlap_db:g} dB for quiet tracks: {COMMON_PRACTICE}",)),
        ),
        unrated,
    )  # fmt: skip


def _judge(device: Device, wanted: float | None) -> tuple[Verdict, str, float | None]:
    if wanted is None:
        return "unknown", "Measure the signal at the input with the tone playing.", None
    low, high = device.input_sensitivity_min_v, device.input_sensitivity_max_v
    if low is not None and wanted < low:
        return (
            "too_little",
            f"The source is {ratio_db(low, wanted):.1f} dB short: set the most sensitive, "
            f"{low:g} V, and expect less than rated power.",
            low,
        )
    if high is not None and wanted > high:
        return (
            "too_much",
            f"The source is {ratio_db(wanted, high):.1f} dB above the input's range: lower it at "
            "the source or use a speaker-level input.",
            high,
        )
    return "ok", f"Set the input sensitivity to {wanted:.2f} V.", wanted


def _unmatched(rows: Sequence[ChannelLevel]) -> tuple[str, ...]:
    """Sentences on channels whose reading is more than 1 dB from the target."""
    return tuple(
        f"{row.name} reads {row.measured_db:+.1f} dB from its target: set it again."
        for row in rows
        if row.measured_db is not None and abs(row.measured_db) > _FAR_DB
    )


def _steps(context: Context, rows: Sequence[ChannelLevel], tone_dbfs: float) -> tuple[Step, ...]:
    ids = tuple(row.channel_id for row in rows)
    fragile = {
        context.speakers[s].kind
        for row in rows
        for s in context.channels[row.channel_id].speakers
        if s in context.speakers and context.speakers[s].kind in ("tweeter", "midrange")
    }
    raw: list[tuple[str, str, str, str, tuple[str, ...]]] = [
        (
            "Turn the system off and unplug the speakers at the amplifiers.",
            "Voltages are set without a load: no speaker can be hurt and nobody hears a tone.",
            "Nobody inside the car with speakers plugged in while tones play at full level: "
            "hearing is hurt within seconds.",
            "",
            ids,
        ),
        (
            "Set every crossover as planned, all equaliser sections flat, levels at 0 dB, "
            "input sensitivity at its least sensitive.",
            "A boost would be set into the gain; a missing high-pass would meet the tweeter "
            "when it is plugged in again.",
            f"Check the high-pass of every {' and '.join(sorted(fragile))} now." if fragile else "",
            "",
            ids,
        ),
        (
            f"Play the test tone at {tone_dbfs:g} dBFS with the source's tone controls flat and "
            "its volume where it stays clean (commonly three quarters).",
            "The loudest clean setting of the source is what the gain is matched to.",
            "",
            "",
            (),
        ),
        (
            "Measure the signal at each amplifier's input and write it down.",
            "It gives the sensitivity to set.",
            "",
            "source_v",
            ids,
        ),
    ]
    raw += [
        (
            f"{row.name}: play {row.tone_hz:g} Hz and raise the gain until the meter shows "
            f"{row.tone_v:.2f} V.",
            f"That is {row.power_w:.0f} W into {row.load_ohm:.3g} ohm, reached by a track at full "
            f"scale less the extra gain. Use a true-RMS meter that is right at {row.tone_hz:g} Hz.",
            "",
            "measured_v",
            (row.channel_id,),
        )
        for row in rows
    ]
    raw += [
        (
            "Turn the volume fully down, the system off, plug the speakers in, tweeters last.",
            "A wrong plug then costs nothing.",
            "Turn up slowly from nothing. Hearing protection for anyone near.",
            "",
            ids,
        ),
        (
            "Play music quietly, then at a normal level, and listen for each speaker in turn.",
            "Side, place and clean sound are proved by ear.",
            "Stop at once on distortion, smell or heat.",
            "",
            ids,
        ),
    ]
    return tuple(
        Step(number, do, why, caution, reading, channel_ids)
        for number, (do, why, caution, reading, channel_ids) in enumerate(raw, start=1)
    )
