"""Rules about speaker cables: known, large enough, little lost, protected."""

from collections.abc import Iterator
from typing import Final

from wiring.context import Context, rule
from wiring.errors import WiringError
from wiring.findings import Finding
from wiring.names import channel_name
from wiring.power.conductors import TABLE_SOURCE
from wiring.power.speaker_cable import LOSS_SOURCE, CableFacts, cable_facts, cable_figures
from wiring.rules.limits import PRACTICE

MAKER: Final = "maker's data"


def _cables(context: Context) -> Iterator[CableFacts]:
    for channel in context.plan.channels:
        try:
            facts = cable_facts(context, channel)
        except WiringError:
            continue
        if facts is not None:
            yield facts


@rule("speaker-cable-known", "channels", "caution", sources=(TABLE_SOURCE,))
def known(context: Context) -> Iterator[Finding]:
    """A speaker cable has a size, metal and insulation the tables answer for."""
    for channel in context.plan.channels:
        try:
            cable_facts(context, channel)
        except WiringError as error:
            yield Finding(
                "speaker-cable-known",
                "caution",
                f"The speaker cable of {channel_name(context, channel)} cannot be judged: "
                f"{error.reason}.",
                (channel.id,),
                "Choose a known size.",
                TABLE_SOURCE,
            )


@rule("speaker-cable-load", "channels", "stop", "caution", sources=(TABLE_SOURCE,))
def load(context: Context) -> Iterator[Finding]:
    """A speaker cable carries its channel: long-term music a stop, a full-output tone a caution."""
    for each in _cables(context):
        if each.full_a is None or each.music_a is None or each.full_a <= each.allowed_a:
            continue
        longterm = each.music_a > each.allowed_a
        current, when = (
            (each.music_a, "long-term with music")
            if longterm
            else (each.full_a, "with a tone at full output")
        )
        yield Finding(
            "speaker-cable-load",
            "stop" if longterm else "caution",
            f"The speaker cable of {channel_name(context, each.channel)} carries {current:.1f} A "
            f"{when}; {each.cable.size} may carry {each.allowed_a:.1f} A.",
            (each.channel.id,),
            "Lay a larger cable, or say its insulation if it stands more heat.",
            TABLE_SOURCE,
            cable_figures(context, each),
        )


@rule("speaker-cable-loss", "channels", "caution", sources=(LOSS_SOURCE,))
def loss(context: Context) -> Iterator[Finding]:
    """A speaker cable takes no more of the level than the shop allows."""
    limit_db = context.plan.assumptions.speaker_loss_db
    for each in _cables(context):
        if each.loss_db > limit_db:
            yield Finding(
                "speaker-cable-loss",
                "caution",
                f"The speaker cable of {channel_name(context, each.channel)} takes "
                f"{each.loss_db:.1f} dB of the level and leaves a damping factor of at most "
                f"{each.damping:.0f}; the shop's limit is {limit_db:g} dB.",
                (each.channel.id,),
                "Lay a larger or a shorter cable.",
                LOSS_SOURCE,
                cable_figures(context, each),
            )


@rule("speaker-cable-protection", "channels", "caution", sources=(PRACTICE, MAKER))
def protection(context: Context) -> Iterator[Finding]:
    """Something ends a short in a speaker cable: the amplifier itself, or a fuse for the cable."""
    for each in _cables(context):
        device = context.devices.get(each.channel.device)
        fuse_a = each.cable.fuse_a
        if fuse_a is not None and fuse_a > each.allowed_a:
            problem = (
                f"its {fuse_a:g} A fuse is larger than the {each.allowed_a:.1f} A that "
                f"{each.cable.size} may carry"
            )
        elif fuse_a is None and device is not None and device.output_protected is False:
            problem = f"{device.name} does not save itself from a short, and the cable has no fuse"
        else:
            continue
        yield Finding(
            "speaker-cable-protection",
            "caution",
            f"The speaker cable of {channel_name(context, each.channel)} is not protected: "
            f"{problem}.",
            (each.channel.id,),
            f"Fit a fuse of at most {each.allowed_a:.0f} A at the amplifier.",
            PRACTICE if fuse_a is not None else MAKER,
        )
