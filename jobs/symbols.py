"""Units in the texts of the sums, which are plain ASCII, as people write them."""

import re
from typing import Final

_SAID: Final = (
    (re.compile(r"\bmm2\b"), "mm²"),
    (re.compile(r"\bmohm\b"), "mΩ"),
    (re.compile(r"(?<=\d )ohm\b"), "Ω"),
    (re.compile(r"\bdegC\b"), "°C"),
    (re.compile(r"(?<=[\w)%] )x (?=[\w(])"), "× "),
)


def with_symbols(text: str) -> str:
    """The text with mm², Ω, mΩ, °C and × for their spelt-out forms."""
    for pattern, said in _SAID:
        text = pattern.sub(said, text)
    return text
