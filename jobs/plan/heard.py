"""How loud a signal of the car is: a word, or what a meter read; and whether two are alike."""

import re
from typing import Final

LEVELS: Final = ("quiet", "normal", "loud")
LEAST_DBA: Final = 20.0
MOST_DBA: Final = 130.0
LOUDER_DB: Final = 6.0
"""From this on two readings of a meter held by hand are told apart; common practice, no source."""

_DBA: Final = re.compile(r"(\d{2,3}(?:[.,]\d)?)\s*(?:db\s*(?:\(?a\)?)?)?\Z", re.IGNORECASE)


class LevelError(ValueError):
    """It is neither one of the words nor a level."""


def clean_level(text: str) -> str:
    """The level as it is kept: "quiet", "normal", "loud", or "62 dB(A)". Raises LevelError."""
    said = " ".join(text.replace("\u00a0", " ").split()).lower()
    if not said or said in LEVELS:
        return said
    found = _DBA.match(said)
    if found is None:
        raise LevelError(
            f"Write {', '.join(LEVELS[:-1])} or {LEVELS[-1]}, or a level like 62 dB(A)."
        )
    value = float(found[1].replace(",", "."))
    if not LEAST_DBA <= value <= MOST_DBA:
        raise LevelError(f"A level lies between {LEAST_DBA:g} and {MOST_DBA:g} dB(A).")
    return f"{value:g} dB(A)"


def level_change(before: str, after: str) -> str:
    """ "louder" or "quieter" than before; empty where they are alike or cannot be compared."""
    if not before or not after:
        return ""
    if before in LEVELS and after in LEVELS:
        step = LEVELS.index(after) - LEVELS.index(before)
    elif before not in LEVELS and after not in LEVELS:
        by = float(after.split()[0]) - float(before.split()[0])
        step = 0 if abs(by) < LOUDER_DB else int(by / abs(by))
    else:
        return ""
    return "" if not step else "louder" if step > 0 else "quieter"
