"""What rows and signed documents keep in English, said in the language that is active.

Names of functions, readings and drawings were written into the book when a job was made or signed.
`told` finds the words again: a whole text by itself, one with a name in it by its pattern. What a
person typed is found nowhere and stands as it is.
"""

import re
from collections.abc import Iterator
from functools import cache
from typing import Final

from django.utils.translation import gettext, gettext_noop as kept

from shop.languages import in_english
from shop.wording import figures_said

PATTERNS: Final = (
    kept("Voltage at %(which)s under load"),
    kept("Output voltage of %(which)s at the test tone"),
    kept("Output of %(which)s at the test tone"),
    kept("Signal at the input of %(which)s, test tone"),
    kept("Channel %(which)s"),
    kept("Part %(which)s"),
    kept("Step: %(which)s"),
    kept("Section %(which)s"),
    kept("Function: %(which)s"),
    kept("%(which)s, before"),
    kept("Measured response, %(which)s alone"),
)
"""Texts of which a part is a name."""

WHOLE: Final = (
    kept("Measured response, everything playing"),
    kept("Measured response, left side"),
    kept("Measured response, right side"),
    kept("Level of each channel, before (thin) and after (bold)"),
    kept("Level of each channel"),
    kept("Level of each side, before (thin) and after (bold)"),
    kept("Level of each side"),
    kept("Left side"),
    kept("Right side"),
    kept("Before"),
    kept("After"),
    kept("Expected now"),
    kept("The job"),
    kept("On arrival"),
    kept("A mark on the car"),
    kept("Battery at rest"),
    kept("Charging voltage, engine running"),
    kept("Key-off draw, asleep"),
    kept("strip"),
    kept("blade"),
    kept("midi"),
    kept("glass"),
    kept("ceramic"),
)
"""Texts that stand in drawings and rows and in no table of their own."""

_NAMED: Final = re.compile(r"%\((\w+)\)s")


@cache
def _shape(pattern: str) -> re.Pattern[str]:
    """Finds a text that was made of the pattern, with its names."""
    fixed = _NAMED.split(pattern)
    parts = (f"(?P<{one}>.+)" if at % 2 else re.escape(one) for at, one in enumerate(fixed))
    return re.compile("".join(parts))


def _made(text: str) -> Iterator[str]:
    for pattern in PATTERNS:
        if found := _shape(pattern).fullmatch(text):
            yield gettext(pattern) % {name: told(one) for name, one in found.groupdict().items()}


def told(text: object) -> str:
    """A text that is kept in English, as it is said now."""
    text = str(text)
    if in_english():
        return text
    said = gettext(text)
    return said if said != text else next(_made(text), text)


_IN_DRAWING: Final = re.compile(r"(?<=>)[^<>]*[^<>\s][^<>]*(?=<)")
_HEARD: Final = re.compile(r'(?<=aria-label=")[^"]*(?=")')


def drawn(svg: str) -> str:
    """A drawing that is kept in English, with its words and numbers as they are said now."""
    if in_english():
        return svg
    for where in (_IN_DRAWING, _HEARD):
        svg = where.sub(lambda found: figures_said(told(found[0])), svg)
    return svg
