"""Speaker cables: what one takes of the level, the damping it leaves, and what it must carry.

A cable of resistance R is in series with its load Z, so the level falls by 20 lg((Z + R) / Z) and
the damping at the speaker is at most Z / R, that of an amplifier without resistance of its own.
"""

from math import log10, sqrt
from typing import Final, NamedTuple

from wiring.context import Context
from wiring.errors import require_not_negative, require_positive
from wiring.findings import Figure
from wiring.plan import Channel, SpeakerCable
from wiring.power.conductors import (
    TABLE_SOURCE,
    ampacity,
    resistance_20_ohm_per_m,
    size,
    temperature_factor,
)
from wiring.power.demand import BASS_SOURCE, DUTY_SOURCE, music_duty, plays_bass

LOSS_SOURCE: Final = "the shop's limit; 0.5 dB is common practice, no source"
ASSUMED: Final = (
    "nominal impedance, taken as a resistance",
    "flexible copper or copper-clad strands, as warm as the cabin",
)


class CableFacts(NamedTuple):
    """A channel's speaker cable: both conductors' resistance, what it takes and what it carries.

    Currents are of a sine at full output and of long-term music, None where the channel's power
    is not known.
    """

    channel: Channel
    cable: SpeakerCable
    ohm: float
    load_ohm: float
    loss_db: float
    damping: float
    allowed_a: float
    full_a: float | None
    music_a: float | None


def pair_ohm(size_label: str, length_m: float, metal: str, conductor_c: float) -> float:
    """Resistance of both conductors of a pair [ohm], there and back.

    Raises WiringError when the size, the metal or the length is none.
    """
    require_positive("length_m", length_m, "m")
    per_metre = resistance_20_ohm_per_m(size_label, metal)
    return 2.0 * length_m * per_metre * temperature_factor(metal, conductor_c)


def level_loss_db(load_ohm: float, cable_ohm: float) -> float:
    """What a series resistance takes of the level at a load [dB], 20 lg((Z + R) / Z)."""
    require_positive("load_ohm", load_ohm, "ohm")
    require_not_negative("cable_ohm", cable_ohm, "ohm")
    return 20.0 * log10((load_ohm + cable_ohm) / load_ohm)


def damping_factor(load_ohm: float, cable_ohm: float) -> float:
    """Greatest damping factor behind a series resistance [1], Z / R."""
    require_positive("load_ohm", load_ohm, "ohm")
    return load_ohm / require_positive("cable_ohm", cable_ohm, "ohm")


def cable_facts(context: Context, channel: Channel) -> CableFacts | None:
    """The facts of a channel's speaker cable, None without a cable or a load.

    Raises WiringError when the tables do not answer for the cable.
    """
    cable, load = channel.cable, context.load_ohm.get(channel.id)
    if cable is None or load is None:
        return None
    air_c = context.plan.assumptions.cabin_c
    ohm = pair_ohm(cable.size, cable.length_m, cable.metal, air_c)
    power = context.power_w.get(channel.id)
    full = None if power is None else sqrt(power.power_w / load)
    return CableFacts(
        channel,
        cable,
        ohm,
        load,
        level_loss_db(load, ohm),
        damping_factor(load, ohm),
        ampacity(cable.size, cable.metal, cable.insulation_c, air_c).current_a,
        full,
        None if full is None else full * sqrt(music_duty(context, channel)),
    )


def cable_figures(context: Context, facts: CableFacts) -> tuple[Figure, ...]:
    """Resistance, loss, damping and currents of a speaker cable with the sums behind them."""
    cable = facts.cable
    mohm = facts.ohm * 1000
    air_c = context.plan.assumptions.cabin_c
    figures = [
        Figure(
            f"resistance of {cable.length_m:g} m of {cable.size}, there and back",
            mohm,
            "mohm",
            "R = 2 x length x R20 x (1 + a (T - 20))",
            f"2 x {cable.length_m:g} m x "
            f"{resistance_20_ohm_per_m(cable.size, cable.metal) * 1000:.4g} mohm/m x "
            f"{temperature_factor(cable.metal, air_c):.4f} ({air_c:g} degC)",
            size(cable.size).source,
            (ASSUMED[1],),
        ),
        Figure(
            "level lost in the speaker cable",
            facts.loss_db,
            "dB",
            "20 lg((Z + R) / Z)",
            f"20 lg(({facts.load_ohm:g} + {facts.ohm:.4f}) / {facts.load_ohm:g})",
            "Ohm's law",
            (ASSUMED[0],),
        ),
        Figure(
            "damping factor at the speaker, at most",
            facts.damping,
            "",
            "Z / R",
            f"{facts.load_ohm:g} / {facts.ohm:.4f}",
            "Ohm's law",
            (ASSUMED[0], "the amplifier's own output resistance is not counted"),
        ),
    ]
    if facts.full_a is not None and facts.music_a is not None:
        duty = music_duty(context, facts.channel)
        bass = plays_bass(context, facts.channel)
        figures.append(
            Figure(
                "speaker cable's current, long-term with music",
                facts.music_a,
                "A",
                "I = sqrt(P x duty / Z)",
                f"sqrt({facts.full_a**2 * facts.load_ohm:.0f} W x {duty:g} / {facts.load_ohm:g})",
                "Ohm's law",
                (BASS_SOURCE if bass else DUTY_SOURCE, "a sine of full output is the rated power"),
            )
        )
    figures.append(
        Figure(
            f"current {cable.size} may carry",
            facts.allowed_a,
            "A",
            "as a supply cable of this size and insulation",
            f"{cable.insulation_c:g} degC insulation in {air_c:g} degC",
            TABLE_SOURCE,
            ("insulation not known counts as 60 degC",),
        )
    )
    return tuple(figures)
