"""Numbers and units in the texts of the sums, which are plain ASCII, as people write them."""

import re
from typing import Final

from shop.kept_words import summed
from shop.wording import MINUS, grouped

_SAID: Final = (
    (re.compile(r"\bmm2\b"), "mm²"),
    (re.compile(r"\bmohm\b"), "mΩ"),
    (re.compile(r"(?<=\d )ohm\b|^ohm$"), "Ω"),
    (re.compile(r"\bdegC\b"), "°C"),
    (re.compile(r"\bagm\b"), "AGM"),
    (re.compile(r"(?<=[\w)%] )x (?=[\w(])"), "× "),
    (re.compile(r"(?<![\w)])-(?=\d)"), MINUS),
    (re.compile(r"(?<=[\w)] )-(?= [\d(])"), MINUS),
)
_LONG: Final = re.compile(r"(?<![\w.-])\d{5,}(?=(?:\.\d+)? [a-zA-Z%Ω])")


def with_symbols(text: str) -> str:
    """A text of the sums as it is shown: in the language that is active, with its symbols."""
    return symbols(summed(text))


def symbols(text: str) -> str:
    """The text with mm², Ω, mΩ, °C and × for their spelt-out forms, a true minus, and the digits
    of a quantity in groups."""
    for pattern, written in _SAID:
        text = pattern.sub(written, text)
    return _LONG.sub(lambda found: grouped(found[0]), text)
