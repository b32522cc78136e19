"""What can be said of a vehicle identification number, never refusing one.

Sources: 49 CFR 565.15 (check digit: Tables III to VI; model year: Table VII) and ISO 3779:2009
(17 characters, no I, O or Q). The check digit binds vehicles of North America, and of China by
GB 16735 (from memory); elsewhere position 9 may carry anything and says nothing.
"""

from typing import Final

import msgspec
from django.utils.translation import gettext

from shop.wording import listed

LENGTH: Final = 17
CHECKED: Final = frozenset("12345L")
"""First characters of the regions that use the check digit: North America 1 to 5, China L."""
NORTH_AMERICA: Final = frozenset("12345")
MAKER_POSITIONS: Final = 3  # few makers exist, so a slip there mostly names none
WEIGHTS: Final = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
VALUES: Final[dict[str, int]] = {
    **{str(digit): digit for digit in range(10)},
    **dict(zip("ABCDEFGH", range(1, 9), strict=True)),
    **dict(zip("JKLMN", range(1, 6), strict=True)),
    "P": 7,
    "R": 9,
    **dict(zip("STUVWXYZ", range(2, 10), strict=True)),
}
YEAR_CODES: Final = "ABCDEFGHJKLMNPRSTVWXY123456789"
FIRST_YEAR: Final = 1980
CYCLE_YEARS: Final = 30

SOURCE: Final = "49 CFR 565.15(c), Tables III to VI; ISO 3779:2009"
YEAR_SOURCE: Final = "49 CFR 565.15(d)(1), Table VII"

_FORBIDDEN: Final[dict[str, str]] = {"I": "1", "O": "0", "Q": "0"}
_LOOK_ALIKE: Final = ("0D", "17", "1L", "1T", "2Z", "38", "4A", "5S", "6G", "8B", "UV", "VY")
_SOMETIMES: Final = (
    "06", "08", "09", "0C", "0G", "0U", "1J", "2R", "35", "3B", "56", "68", "89", "69", "4H",
    "7T", "7Z", "8S", "CG", "EF", "FP", "PR", "KX", "HN", "HM", "VW", "XY", "BR", "DP", "MN",
)  # fmt: skip
_KEY_ROWS: Final = ("1234567890", "QWERTYUIOP", "ASDFGHJKL", "ZXCVBNM")
_CYRILLIC: Final = str.maketrans("АВЕКМНРСТУХЅЈ", "ABEKMHPCTYXSJ")
_MOST_SUGGESTIONS: Final = 6


class Suggestion(msgspec.Struct, frozen=True):
    """A number that differs a little from the one typed and has a right check digit.

    `positions` counts from 1. `likelihood` is 1 for the likeliest kind of slip, larger for
    rarer ones.
    """

    vin: str
    positions: tuple[int, ...]
    reason: str
    likelihood: int


class VinReport(msgspec.Struct, frozen=True):
    """What was found in a typed number.

    `problems` are sentences for the person at the desk; none of them forbids the number.
    `check_right` says whether position 9 agrees, whether or not the region uses it.
    `model_years` are the years position 10 can mean, the likelier first.
    """

    typed: str
    vin: str
    problems: tuple[str, ...]
    suggestions: tuple[Suggestion, ...]
    check_right: bool | None
    model_years: tuple[int, ...]
    source: str = SOURCE
    year_source: str = YEAR_SOURCE

    @property
    def needs_confirmation(self) -> bool:
        """Whether someone should look again before the number is kept."""
        return bool(self.problems)

    @property
    def check_used(self) -> bool:
        """Whether the region uses the check digit."""
        return self.vin[:1] in CHECKED


def normalise(text: str) -> str:
    """Upper case, without spaces, dashes, the stars stamped at the ends or a leading "VIN".

    Cyrillic letters that look like Latin ones become these; the letter I that some bar codes
    carry before the number is dropped.
    """
    kept = "".join(
        character for character in text.upper().translate(_CYRILLIC) if character.isalnum()
    )
    kept = "".join(chr(ord(c) - 0xFEE0) if "！" <= c <= "～" else c for c in kept)
    kept = kept.removeprefix("VIN")
    if len(kept) == LENGTH + 1 and kept[0] == "I":
        kept = kept[1:]
    return kept


def weighted_sum(vin: str) -> int:
    """Sum of value times weight over 17 allowed characters (position 9 weighs nothing).

    Raises ValueError when a character has no value or the length is not 17.
    """
    if len(vin) != LENGTH:
        raise ValueError(f"a VIN has {LENGTH} characters, this has {len(vin)}")
    try:
        return sum(
            VALUES[character] * weight for character, weight in zip(vin, WEIGHTS, strict=True)
        )
    except KeyError as error:
        raise ValueError(f"{error.args[0]} is not used in a VIN") from None


def check_character(vin: str) -> str:
    """The character position 9 should hold: the weighted sum modulo 11, ten written X."""
    remainder = weighted_sum(vin) % 11
    return "X" if remainder == 10 else str(remainder)


def model_years(vin: str, latest_year: int | None = None) -> tuple[int, ...]:
    """Years position 10 can mean, the likelier today first; empty when the character means none.

    For passenger cars, multipurpose vehicles and light trucks sold in North America a letter in
    position 7 says 2010 to 2039 and a digit 1980 to 2009 (49 CFR 565.15(b)). Elsewhere position 7
    says nothing, and of two years thirty apart the newer is the likelier: few cars grow so old.
    Years after `latest_year` are left out.
    """
    if len(vin) < 10 or vin[9] not in YEAR_CODES:
        return ()
    early = FIRST_YEAR + YEAR_CODES.index(vin[9])
    newer_first = vin[6].isalpha() or vin[0] not in NORTH_AMERICA
    years = (early + CYCLE_YEARS, early) if newer_first else (early, early + CYCLE_YEARS)
    return tuple(year for year in years if latest_year is None or year <= latest_year)


def examine(text: str, latest_year: int | None = None) -> VinReport:
    """All that can be said of a typed VIN. Never raises, never refuses.

    `latest_year` is the newest model year that can be on sale (this year plus one).
    """
    vin = normalise(text)
    problems: list[str] = []
    expected = ""
    right: bool | None = None
    suggestions: tuple[Suggestion, ...] = ()
    if not vin:
        problems.append(gettext("No VIN is written down yet."))
    elif len(vin) != LENGTH:
        problems.append(_length_problem(vin))
    strange = [(place, c) for place, c in enumerate(vin, 1) if c not in VALUES]
    for place, character in strange:
        instead = _FORBIDDEN.get(character)
        if instead:
            said = gettext(
                "Character %(place)s reads %(character)s, which no VIN uses: it is most likely "
                "%(instead)s."
            )
        else:
            said = gettext(
                "Character %(place)s reads %(character)s, which no VIN uses: read it again."
            )
        problems.append(said % {"place": place, "character": character, "instead": instead})
    if len(vin) == LENGTH and not strange:
        expected = check_character(vin)
        right = vin[8] == expected
    if len(vin) == LENGTH and not right and (strange or vin[0] in CHECKED):
        suggestions = _suggest(vin)
        if right is False:
            problems.append(_check_problem(vin, expected, suggestions))
    years = model_years(vin, latest_year) if len(vin) == LENGTH else ()
    if len(vin) == LENGTH and not years and vin[0] in CHECKED:
        problems.append(
            gettext(
                "Character 10 reads %(character)s, which stands for no model year: read it again."
            )
            % {"character": vin[9]}
        )
    return VinReport(text, vin, tuple(problems), suggestions, right, years)


def _length_problem(vin: str) -> str:
    count = len(vin)
    said = {"count": count, "length": LENGTH, "apart": abs(LENGTH - count)}
    if count < LENGTH:
        short = gettext(
            "This has %(count)s characters and a VIN has %(length)s: %(apart)s missing. "
            "A vehicle built before 1981 or imported may carry a shorter number."
        )
        return short % said
    long = gettext("This has %(count)s characters and a VIN has %(length)s: %(apart)s too many.")
    return long % said


def _check_problem(vin: str, expected: str, suggestions: tuple[Suggestion, ...]) -> str:
    problem = gettext(
        "The check digit does not agree: position 9 reads %(read)s and should be %(expected)s."
    ) % {"read": vin[8], "expected": expected}
    if suggestions:
        best = suggestions[0].likelihood
        same = [suggestion.reason for suggestion in suggestions if suggestion.likelihood == best]
        likely = gettext("Most likely: %(reasons)s.") % {"reasons": listed(same[:2], last="or")}
        problem = f"{problem} {likely}"
    return problem


def _pairs(groups: tuple[str, ...]) -> frozenset[tuple[str, str]]:
    return frozenset((a, b) for pair in groups for a, b in ((pair[0], pair[1]), (pair[1], pair[0])))


_ALIKE: Final = _pairs(_LOOK_ALIKE)
_LESS_ALIKE: Final = _pairs(_SOMETIMES)
_NEIGHBOUR_KEYS: Final = _pairs(
    tuple(row[i : i + 2] for row in _KEY_ROWS for i in range(len(row) - 1))
)


def _likelihood(read: str, meant: str) -> int:
    if (read, meant) in _ALIKE:
        return 1
    if (read, meant) in _LESS_ALIKE:
        return 3
    if (read, meant) in _NEIGHBOUR_KEYS:
        return 4
    return 6


def _suggest(vin: str) -> tuple[Suggestion, ...]:
    """Numbers near `vin` whose check digit is right, likeliest first."""
    repaired = "".join(_FORBIDDEN.get(character, character) for character in vin)
    changed = tuple(place for place, c in enumerate(vin, 1) if c in _FORBIDDEN)
    if any(character not in VALUES for character in repaired):
        return ()
    suggestions: list[Suggestion] = []
    if changed and check_character(repaired) == repaired[8]:
        swaps = listed(_instead(p, repaired[p - 1], vin[p - 1]) for p in changed)
        suggestions.append(Suggestion(repaired, changed, swaps, 1))
    elif changed:
        return ()
    else:
        suggestions += _substitutions(vin)
        suggestions += _transpositions(vin)
    suggestions.sort(key=lambda suggestion: (suggestion.likelihood, suggestion.positions))
    return tuple(suggestions[:_MOST_SUGGESTIONS])


def _instead(place: int, meant: str, read: str) -> str:
    said = {"place": place, "meant": meant, "read": read}
    return gettext("character %(place)s is %(meant)s, not %(read)s") % said


def _fits(vin: str) -> bool:
    """Whether the last four are digits (49 CFR 565.15(d), from memory) and the year exists."""
    return vin[13:].isdigit() and vin[9] in YEAR_CODES


def _substitutions(vin: str) -> list[Suggestion]:
    total = weighted_sum(vin)
    check = 10 if vin[8] == "X" else VALUES[vin[8]] if vin[8].isdigit() else None
    strict = _fits(vin)
    suggestions = []
    for index, read in enumerate(vin):
        if index == 8:
            meant = check_character(vin)
            cost = min(_likelihood(read, meant), 5)
            reason = _instead(9, meant, read)
            suggestions.append(Suggestion(vin[:8] + meant + vin[9:], (9,), reason, cost))
            continue
        if check is None:
            continue
        rest = total - VALUES[read] * WEIGHTS[index]
        for meant, value in VALUES.items():
            if meant == read or (rest + value * WEIGHTS[index]) % 11 != check:
                continue
            candidate = vin[:index] + meant + vin[index + 1 :]
            if strict and not _fits(candidate):
                continue
            reason = _instead(index + 1, meant, read)
            likelihood = _likelihood(read, meant) + (index < MAKER_POSITIONS)
            suggestions.append(Suggestion(candidate, (index + 1,), reason, likelihood))
    return suggestions


def _transpositions(vin: str) -> list[Suggestion]:
    suggestions = []
    for index in range(LENGTH - 1):
        candidate = vin[:index] + vin[index + 1] + vin[index] + vin[index + 2 :]
        if candidate != vin and check_character(candidate) == candidate[8]:
            reason = gettext("characters %(first)s and %(second)s are the wrong way round") % {
                "first": index + 1,
                "second": index + 2,
            }
            likelihood = 2 + (index < MAKER_POSITIONS)
            suggestions.append(Suggestion(candidate, (index + 1, index + 2), reason, likelihood))
    return suggestions
