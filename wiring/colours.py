"""Wire colours by IEC 60757, base and stripe kept apart.

Codes: IEC 60757:2021, Table 1 (read as the identical list of GOST 28763-90 / IEC 757:1983).
A pair of codes in that standard is written in table order and says nothing of which colour is
the base, so a wire is recorded here as two codes.
"""

import re
from typing import Final

import msgspec

SOURCE: Final = "IEC 60757:2021, Table 1 and clause 5.1"

NAMES: Final[dict[str, str]] = {
    "BK": "black",
    "BN": "brown",
    "RD": "red",
    "OG": "orange",
    "YE": "yellow",
    "GN": "green",
    "BU": "blue",
    "VT": "violet",
    "GY": "grey",
    "WH": "white",
    "PK": "pink",
    "GD": "gold",
    "TQ": "turquoise",
    "SR": "silver",
    "GNYE": "green-and-yellow",
}
CODES: Final = tuple(NAMES)

# Screen and print colours of the small swatch beside a code; our own choice.
SWATCHES: Final[dict[str, str]] = {
    "BK": "#1b1b1b",
    "BN": "#7a4a21",
    "RD": "#c8281e",
    "OG": "#e8761a",
    "YE": "#f2cd1f",
    "GN": "#2c8a3d",
    "BU": "#2360b4",
    "VT": "#7b3fa0",
    "GY": "#8d9196",
    "WH": "#ffffff",
    "PK": "#eb9ab2",
    "GD": "#b8923a",
    "TQ": "#2ba6a6",
    "SR": "#c4c8cc",
    "GNYE": "#2c8a3d",
}

_SPOKEN: Final[dict[str, str]] = {
    **{name: code for code, name in NAMES.items()},
    **{code.lower(): code for code in NAMES},
    "gray": "GY",
    "purple": "VT",
    "light blue": "BU",
    "dark blue": "BU",
    "light green": "GN",
    "dark green": "GN",
    "tan": "BN",
    "cyan": "TQ",
    # Harness drawings also use two-letter abbreviations of English and German colour names.
    "bl": "BU",
    "br": "BN",
    "or": "OG",
    "pu": "VT",
    "re": "RD",
    "sw": "BK",
    "rt": "RD",
    "ws": "WH",
    "ge": "YE",
    "vi": "VT",
    "rs": "PK",
    "tk": "TQ",
    "yl": "YE",
    "wt": "WH",
}


class ColourProblem(msgspec.Struct, frozen=True):
    """Something about a written colour; `kind` is "unknown" or "green_yellow"."""

    kind: str
    message: str
    suggestion: str = ""


def code_for(text: str) -> str | None:
    """The code meant by a code or a colour word, or None when it cannot be told."""
    return _SPOKEN.get(text.strip().lower())


def read(text: str) -> tuple[str, str] | None:
    """(base, stripe) from what people write: "RD/BK", "red black", "red with white stripe", "RDBK".

    The first colour is taken as the base. None when any part is no colour.
    """
    plain = text.strip().lower()
    whole = code_for(plain)
    if whole:
        return whole, ""
    words = [
        word
        for word in re.split(r"[\s/,+\-]+", plain)
        if word not in ("", "with", "and", "stripe", "on", "base")
    ]
    if len(words) == 1 and len(words[0]) == 4:
        words = [words[0][:2], words[0][2:]]
    codes = [code_for(word) for word in words]
    if not 1 <= len(codes) <= 2 or any(code is None for code in codes):
        return None
    return codes[0] or "", (codes[1] or "") if len(codes) == 2 else ""


def describe(base: str, stripe: str = "") -> str:
    """In words: "red with black stripe (RD/BK)"; an unknown code stands as it was written."""
    if not base and not stripe:
        return ""
    first = NAMES.get(base, base)
    if not stripe:
        return f"{first} ({base})"
    return f"{first} with {NAMES.get(stripe, stripe)} stripe ({base}/{stripe})"


def problem(base: str, stripe: str = "") -> ColourProblem | None:
    """What is wrong with a recorded colour, or None.

    IEC 60757 keeps the pair green and yellow for the protective conductor, written GNYE. A car
    harness uses the pair as any other; it is told, since the mark may be misread.
    """
    for code in (base, stripe):
        if code and code not in NAMES:
            meant = code_for(code) or ""
            hint = f" {NAMES[meant].capitalize()} is {meant}." if meant else ""
            return ColourProblem("unknown", f"{code} is no colour code of IEC 60757.{hint}", meant)
    if "GNYE" in (base, stripe) or {base, stripe} == {"GN", "YE"}:
        return ColourProblem(
            "green_yellow",
            "Green with yellow is kept for the protective conductor (GNYE) outside vehicles: "
            "make sure this is a harness wire and label it.",
        )
    return None
