"""Passive parts before a speaker as the bay sheet takes and shows them."""

from typing import Final

from wiring.errors import WiringError as WiringError
from wiring.filters.passive_text import passive_text as passive_text, read_passive as read_passive

EXAMPLES: Final = (
    "3.3 µF",
    "4.7 µF",
    "6.8 µF",
    "10 µF",
    "high-pass 3000 Hz 12 dB/oct",
    "low-pass 3000 Hz 12 dB/oct",
    "not known",
)
"""What is offered to be tapped: common capacitors, and corners as makers state them."""


def clean_passive(text: str) -> str:
    """A typed line of passive parts as it is kept. Raises WiringError."""
    return passive_text(read_passive(text))
