"""What the parts of a plan are called in a sentence: channels, speakers, places, frequencies."""

from collections.abc import Iterable
from typing import Final

from wiring.context import Context
from wiring.filters.crossovers import FAMILY_NAMES as FAMILY_NAMES
from wiring.plan import Channel, Speaker
from wiring.positions import POSITIONS

KIND_NAMES: Final[dict[str, str]] = {
    "tweeter": "tweeter",
    "midrange": "midrange",
    "midbass": "midbass",
    "woofer": "woofer",
    "coaxial": "coaxial",
    "full_range": "full-range speaker",
    "subwoofer": "subwoofer",
}


def kind_words(kind: str) -> str:
    """A kind of speaker: "tweeter", "full-range speaker"; an unknown one stands as written."""
    return KIND_NAMES.get(kind, kind)


def kind_name(speaker: Speaker) -> str:
    """The speaker's kind in words."""
    return kind_words(speaker.kind)


def channel_name(context: Context, channel: Channel) -> str:
    """ "Amplifier X, channel 3" or "Processor Y, line output 1"."""
    device = context.devices.get(channel.device)
    owner = device.name if device is not None else channel.device
    word = "channel" if channel.kind == "amplifier" else "line output"
    return f"{owner}, {word} {channel.number}"


def position_name(position_id: str) -> str:
    """The label of a position; an unknown one stands as it was written."""
    position = POSITIONS.get(position_id)
    return position.label.lower() if position is not None else position_id


def speaker_words(kind: str, position: str) -> str:
    """ "tweeter, front pillar left"; a place or kind that is not known stands as written."""
    return f"{kind_words(kind)}, {position_name(position)}"


def speaker_name(speaker: Speaker) -> str:
    """The speaker in words, as `speaker_words`."""
    return speaker_words(speaker.kind, speaker.position)


def listed(names: Iterable[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    parts = list(names)
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} and {parts[-1]}"


def frequency_name(frequency_hz: float) -> str:
    """ "80 Hz", "2.5 kHz", to three figures."""
    if frequency_hz < 1000:
        return f"{frequency_hz:.3g} Hz"
    return f"{frequency_hz / 1000:.3g} kHz"
