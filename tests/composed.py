"""Texts that the sums and the records compose in English, as patterns with named places.

A text in quotes is a pattern as it stands; `f"{device.name} gets {volt:.2f} V"` is the pattern
"%(device_name)s gets %(volt)s V". Where a place holds one of two texts, there are two patterns.
What kind of thing a place holds is read from the code: a number, a name that somebody typed, a list
of things, or words that are told in turn.
"""

import ast
import json
import re
from collections.abc import Iterable, Iterator
from itertools import product
from pathlib import Path
from typing import Any, Final

from wiring.colours import NAMES as COLOURS
from wiring.names import KIND_NAMES
from wiring.positions import POSITIONS

ROOT: Final = Path(__file__).resolve().parent.parent
SUMS: Final = "wiring"
NOT_SHOWN: Final = frozenset(
    {
        "wiring/__main__.py",
        "wiring/measure/command.py",
        "wiring/measure/report.py",
        "wiring/tables/__init__.py",
        "wiring/positions.py",
        "wiring/series_parallel.py",
        "wiring/drawings/frame.py",
    }
)
"""What is said in a terminal alone or for programs, and what `tests.told_in_tables` knows."""

RECORDS: Final = (
    "jobs/plan/agreement.py",
    "jobs/plan/document.py",
    "jobs/plan/entered.py",
    "jobs/plan/power_drawing.py",
    "jobs/setups/channels.py",
    "jobs/setups/compare.py",
    "jobs/setups/facts.py",
    "jobs/setups/find.py",
    "jobs/setups/items.py",
    "jobs/setups/match.py",
    "jobs/setups/power.py",
    "jobs/sheet/record_check.py",
)
"""Modules outside the sums that compose what is kept or drawn in English."""

SHORT: Final = {
    "wiring/plan.py": ("feed", "return"),
    "wiring/findings.py": ("stop", "caution", "note"),
    "wiring/positions.py": (
        *("front pillar", "dash", "front door upper", "front door", "under front seat"),
        *("rear door upper", "rear door", "rear side panel", "rear shelf", "roof", "boot side"),
    ),
    "wiring/power/network.py": ("battery", "body", "ground", "cabin", "engine bay"),
    "wiring/power/conductors.py": (
        *("copper", "aluminium", "copper-clad aluminium", "flexible", "solid", "stranded"),
    ),
    "wiring/measure/proposals.py": ("normal", "inverted", "left", "right", "front", "rear"),
    "wiring/rules/crossovers.py": ("gap", "overlap"),
    "wiring/rules/tuning.py": ("gap", "hump"),
    "wiring/rules/channels.py": ("high-pass", "low-pass", "polarity", "equaliser"),
    "wiring/rules/supply.py": ("idling", "cruising"),
    "wiring/tuning/agreement.py": ("more", "less", "louder", "quieter"),
    "wiring/rules/fuses.py": ("alone", "series", "parallel", "series and parallel"),
    "wiring/filters/typing_in.py": ("level", "delay", "crossover", "frequency", "gain", "width"),
    "wiring/filters/passive_text.py": ("across", "reversed", "high-pass", "low-pass"),
    "wiring/tuning/capture.py": ("left", "right", "nothing", "inverted", "unclear", "delayed"),
    "wiring/tuning/response.py": tuple(
        f"{zone} {side}"
        for zone in ("Front", "Second row", "Third row", "Boot")
        for side in ("left", "right")
    ),
    "jobs/sheet/record_check.py": ("changed", "removed"),
    "wiring/measure/meeting.py": ("less", "more", "earlier", "later"),
    "wiring/measure/signals.py": ("sweep", "pink noise", "tone", "channels"),
}
"""Words that stand alone in the code like the name of a field."""

MORE: Final = {
    "jobs/sheet/earlier.py": (
        (
            "%(first)s, in sums, delays are taken to make up for the distances to the seat and "
            "%(flat)s of %(pairs)s speakers taken as flat",
            {"first": "text", "flat": "number", "pairs": "number"},
        ),
        *(
            (
                f"%(side)s side: take %(names)s {how}{gaps}{humps}.",
                {"side": "text", "names": "text"}
                | ({"thin": "text"} if gaps else {})
                | ({"thick": "text"} if humps else {}),
            )
            for how in ("and sum them", "alone")
            for gaps, humps in (
                ("; missing around %(thin)s", ""),
                ("", "; too strong around %(thick)s"),
                ("; missing around %(thin)s", "; too strong around %(thick)s"),
            )
        ),
    ),
    "wiring/plan.py": (("with %(number)s", {"number": "number"}),),
    "wiring/colours.py": (
        ("%(base)s with %(stripe)s stripe", {"base": "place", "stripe": "place"}),
    ),
    "wiring/series_parallel.py": (
        *(
            (f"%(count)s {parts} in {way}", {"count": "number"})
            for parts in ("coils", "drivers")
            for way in ("series", "parallel")
        ),
        ("%(words)s, %(count)s such in series", {"words": "text", "count": "number"}),
        ("%(words)s, %(count)s such in parallel", {"words": "text", "count": "number"}),
        ("%(words)s in series", {"words": "text"}),
        ("%(words)s in parallel", {"words": "text"}),
        ("1 coil", {}),
        ("1 driver", {}),
    ),
    "wiring/names.py": (
        ("%(count)s more", {"count": "number"}),
        ("channel %(number)s", {"number": "number"}),
        ("line output %(number)s", {"number": "number"}),
        ("%(owner)s, channel %(number)s", {"owner": "name", "number": "number"}),
        ("%(owner)s, line output %(number)s", {"owner": "name", "number": "number"}),
    ),
    "wiring/rules/channels.py": (("%(a)s with %(b)s", {"a": "number", "b": "number"}),),
    "wiring/rules/power.py": (
        ("%(device)s: %(problem)s.", {"device": "name", "problem": "place"}),
    ),
    "wiring/drawings/plan_plots.py": (
        *((f"{kind.capitalize()} %(place)s", {"place": "place"}) for kind in KIND_NAMES.values()),
        ("%(name)s +%(count)s", {"name": "text", "count": "number"}),
    ),
}
"""Patterns that the code puts together out of what cannot be read from it."""

NUMBERS: Final = re.compile(
    r"^(count|number|order|index|first_number|hz|line|size_bytes|drivers|coils|left_over)$"
)
TYPED: Final = re.compile(
    r"\b(device|giver|converter|owner|seat|output|each|target|take|best)\.name$"
)
OURS_OR_TYPED: Final = re.compile(r"\brow\.name$")
"""A row's name: that of a list of ours, or typed."""

IDENT: Final = re.compile(
    r"(^|[._])(id|device|feeds_device|turn_on_by|waker|target|code|base|stripe|meant)\b(?!\.)$"
)
PIECES: Final = frozenset({"known", "says", "slow", "by", "almost"})
"""Names of pieces that another language puts elsewhere in the sentence."""

WORD: Final = re.compile(r"[^\W\d_]{2,}")
_SAME: Final = """
sqrt log ln lg dB dBFS AWG IEC ISO AES CFR SAE ASTM UL kHz Hz mohm ohm degC max min mm ms
mA mH Un Ri Us Ti Ta In gG oct PCM FLAC RF WAV WAVEX Bessel Butterworth Linkwitz Riley
GNYE MB AB Ah mAh µF mV
"""
SAME: Final = frozenset(_SAME.split())
"""Words of formulas and of units, which are the same in every language."""

CODE: Final = re.compile(
    r"[<>]|^\$|https?:|\w_\w|^[a-z0-9_.\-]+$|\\s|^[.#]|\[\\d\]|^[A-Z]{2,6}[\d_]*$|^#[0-9a-f]"
)

NOT_SAID: Final = frozenset(
    {
        "Loombook plan",
        "%(escape)s, before",
        "sum %(low_id)s %(high_id)s %(lower_id)s %(upper_id)s",
        "way %(channel_id)s",
        "MWmw@%",
        "of %(together)s dB",
        "so wide that nothing is left",
        "its maker allows",
        "80 %% of its %(fuse_a)s A fuse is",
        "is not known to take more than",
        "may never open it",
        "may take %(time)s s to open it",
        "has no published breaking capacity",
        "breaks %(limit)s A",
        "%(k)s side",
        "%(value)s and %(parts)s",
        "%(names)s and %(names_2)s",
        "%(a)s with %(b)s",
        "%(tree_leaves)s %(many)s in %(tree_kind)s",
    }
)
"""What only the code reads, and pieces that stand in whole sentences already."""

Scope = dict[str, list[ast.expr]]
"""What the names of a function stand for."""

Places = dict[str, str]
"""By place, what it holds: a "number", a "name" that somebody typed, an "id", "either" such a
name or a text of ours, a "speaker", a "place" in the car, a "list", or "text", told in turn."""


def modules() -> Iterator[Path]:
    for path in sorted((ROOT / SUMS).rglob("*.py")):
        if str(path.relative_to(ROOT)) not in NOT_SHOWN:
            yield path
    for name in RECORDS:
        yield ROOT / name


def composed() -> dict[str, tuple[str, Places]]:
    """Every pattern with the file in which it stands first, and its places."""
    found: dict[str, tuple[str, Places]] = {}
    for path in modules():
        place = str(path.relative_to(ROOT))
        for text, places in of_module(ast.parse(path.read_text(encoding="utf-8"))):
            found.setdefault(text, (place, places))
    for path in sorted((ROOT / SUMS / "tables").glob("*.json")):
        for text in _of_table(json.loads(path.read_text(encoding="utf-8"))):
            found.setdefault(text, (str(path.relative_to(ROOT)), {}))
    for place, words in SHORT.items():
        for word in words:
            found.setdefault(word, (place, {}))
    for place, patterns in MORE.items():
        for pattern, places in patterns:
            found.setdefault(pattern, (place, places))
    return found


def _of_table(table: Any, key: str = "") -> Iterator[str]:
    """What a table says of where its figures are from."""
    if isinstance(table, dict):
        for name, value in table.items():
            yield from _of_table(value, name)
    elif isinstance(table, list):
        for value in table:
            yield from _of_table(value, key)
    elif isinstance(table, str) and re.search(r"source|status|note|applies|cold_drop", key):
        yield table


def of_module(tree: ast.Module) -> Iterator[tuple[str, Places]]:
    skipped = set(_not_said(tree))
    yield from _within(tree, {}, skipped)


def _within(node: ast.AST, scope: Scope, skipped: set[int]) -> Iterator[tuple[str, Places]]:
    if id(node) in skipped:
        return
    if isinstance(node, ast.FunctionDef):
        scope = {**scope, **_assigned(node)}
    if isinstance(node, ast.Constant | ast.JoinedStr) or (
        isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add) and _is_text(node)
    ):
        yield from _patterns(node, scope)
        for inner in _holes(node, scope):
            for child in ast.walk(inner):
                if isinstance(child, ast.Constant | ast.JoinedStr) and id(child) not in skipped:
                    yield from _patterns(child, scope)
        return
    for child in ast.iter_child_nodes(node):
        yield from _within(child, scope, skipped)


def _is_text(node: ast.expr) -> bool:
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
        return _is_text(node.left) or _is_text(node.right)
    if isinstance(node, ast.IfExp):
        return _is_text(node.body) and _is_text(node.orelse)
    return isinstance(node, ast.JoinedStr) or (
        isinstance(node, ast.Constant) and isinstance(node.value, str)
    )


def _not_said(tree: ast.Module) -> Iterator[int]:
    """Docstrings, annotations, keys, what is compared, and what names something for the code."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef):
            yield from (
                id(one.value)
                for one in node.body
                if isinstance(one, ast.Expr) and isinstance(one.value, ast.Constant)
            )
        if isinstance(node, ast.AnnAssign):
            yield id(node.annotation)
        if isinstance(node, ast.arg) and node.annotation:
            yield id(node.annotation)
        if isinstance(node, ast.FunctionDef) and node.returns:
            yield id(node.returns)
        if isinstance(node, ast.Compare):
            yield id(node)
        if isinstance(node, ast.Subscript):
            yield id(node.slice)
        if isinstance(node, ast.Dict):
            yield from (id(one) for one in node.keys if isinstance(one, ast.Constant))
        if isinstance(node, ast.Call):
            name = node.func.attr if isinstance(node.func, ast.Attribute) else ""
            name = node.func.id if isinstance(node.func, ast.Name) else name
            if name in {"TypeVar", "ParamSpec", "compile", "join", "get", "rule", "once", "cast"}:
                yield from (id(one) for one in node.args[:1])
            if name in {"Literal", "getattr", "ValueError", "TypeError", "KeyError"}:
                yield id(node)


def _assigned(function: ast.FunctionDef) -> Scope:
    """What each name of a function stands for, by its assignments."""
    found: Scope = {}
    for node in ast.walk(function):
        if isinstance(node, ast.Assign):
            for target in node.targets:
                if isinstance(target, ast.Name):
                    found.setdefault(target.id, []).append(node.value)
    return found


def _holes(node: ast.expr, scope: Scope) -> Iterator[ast.expr]:
    """What stands in the places of a text, except texts that make patterns of their own."""
    if isinstance(node, ast.BinOp):
        yield from _holes(node.left, scope)
        yield from _holes(node.right, scope)
    elif isinstance(node, ast.JoinedStr):
        for part in node.values:
            if isinstance(part, ast.FormattedValue) and not _choices(part.value, scope):
                yield part.value
    elif not isinstance(node, ast.Constant):
        yield node


def _choices(value: ast.expr, scope: Scope) -> list[ast.expr]:
    """The texts between which a place chooses; none where it holds something else.

    A name that stands for texts counts where one of them is empty or is no beginning of a text:
    such a piece means nothing by itself.
    """
    if isinstance(value, ast.IfExp):
        both = [value.body, value.orelse]
        chosen = [inner for one in both for inner in (_choices(one, scope) or [one])]
        if all(_is_text(one) for one in chosen):
            return chosen
    if isinstance(value, ast.Name) and value.id in scope:
        chosen = [inner for one in scope[value.id] for inner in (_choices(one, {}) or [one])]
        if all(_is_text(one) for one in chosen) and (
            value.id in PIECES or any(_is_piece(one) for one in chosen)
        ):
            return chosen
    return []


def _is_piece(node: ast.expr) -> bool:
    first = node.values[0] if isinstance(node, ast.JoinedStr) else node
    text = first.value if isinstance(first, ast.Constant) else "x"
    return not str(text) or str(text)[0] in " ,;:.("


Part = str | ast.FormattedValue


def _patterns(node: ast.expr, scope: Scope) -> Iterator[tuple[str, Places]]:
    for parts in _ways(node, scope):
        pattern = ""
        places: Places = {}
        for part in parts:
            if isinstance(part, str):
                pattern += part.replace("%", "%%")
            else:
                name = _free(_name_of(part.value), places)
                places[name] = _kind_of(part, scope)
                pattern += f"%({name})s"
        if not places:
            pattern = pattern.replace("%%", "%")
        if pattern.startswith(" ") and pattern[1:2].isupper():
            pattern = pattern[1:]
        if is_said(pattern):
            yield pattern, places


def _ways(node: ast.expr, scope: Scope) -> list[tuple[Part, ...]]:
    """The ways in which a text may be put together, each as its pieces in order."""
    if isinstance(node, ast.Constant):
        return [(node.value,)] if isinstance(node.value, str) else []
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
        return [(*one, *two) for one in _ways(node.left, scope) for two in _ways(node.right, scope)]
    if isinstance(node, ast.FormattedValue):
        chosen = [] if node.format_spec else _choices(node.value, scope)
        return [way for one in chosen for way in _ways(one, scope)] or [(node,)]
    if isinstance(node, ast.JoinedStr):
        pieces = [_ways(one, scope) for one in node.values]
        return [tuple(part for way in ways for part in way) for ways in product(*pieces)]
    return _ways(ast.FormattedValue(node, -1, None), scope)


def _name_of(value: ast.expr) -> str:
    """What a place is called: by the name or the function that fills it."""
    if isinstance(value, ast.Call):
        if isinstance(value.func, ast.Name) and value.func.id not in {"abs", "len", "sum", "float"}:
            return value.func.id.strip("_")
        if isinstance(value.func, ast.Name) and value.args:
            return _name_of(value.args[0])
        if isinstance(value.func, ast.Attribute):
            return _name_of(value.func.value)
    if isinstance(value, ast.Name):
        return value.id.strip("_").lower()
    if isinstance(value, ast.Attribute):
        before = value.value
        head = before.attr if isinstance(before, ast.Attribute) else getattr(before, "id", "")
        head = head.strip("_")
        return f"{head}_{value.attr}".lower() if head and head != "self" else value.attr.lower()
    if isinstance(value, ast.BinOp):
        sides = [value.right, value.left]
        return next((_name_of(one) for one in sides if not isinstance(one, ast.Constant)), "value")
    if isinstance(value, ast.UnaryOp):
        return _name_of(value.operand)
    if isinstance(value, ast.Subscript):
        return _name_of(value.value)
    if isinstance(value, ast.BoolOp | ast.IfExp):
        first = value.values[0] if isinstance(value, ast.BoolOp) else value.body
        return _name_of(first)
    return "value"


def _free(name: str, taken: Iterable[str]) -> str:
    at, free = 2, name
    while free in taken:
        free, at = f"{name}_{at}", at + 1
    return free


def _kind_of(part: ast.FormattedValue, scope: Scope) -> str:
    if part.format_spec is not None:
        spec = "".join(str(getattr(one, "value", "")) for one in ast.walk(part.format_spec))
        if re.search(r"[feg%d]", spec):
            return "number"
    return _kind(part.value, scope, 0)


def _kind(value: ast.expr, scope: Scope, deep: int) -> str:
    said = ast.unparse(value)
    if isinstance(value, ast.Call):
        name = getattr(value.func, "id", getattr(value.func, "attr", ""))
        if name in {"listed", "join"}:
            return "list"
        if name in {"node_name", "source_name"}:
            return "either"
        if name in {"speaker_name", "kind_name"}:
            return "speaker"
        if name == "len":
            return "number"
    if not isinstance(value, ast.IfExp):
        if OURS_OR_TYPED.search(said):
            return "either"
        if TYPED.search(said):
            return "name"
        if IDENT.search(said):
            return "id"
    last = value.attr if isinstance(value, ast.Attribute) else said
    if NUMBERS.match(last) or (isinstance(value, ast.BinOp) and "'" not in said):
        return "number"
    if isinstance(value, ast.Name) and deep < 3:
        kinds = {_kind(one, scope, deep + 1) for one in scope.get(value.id, ())}
        if len(kinds) == 1:
            return kinds.pop()
    if isinstance(value, ast.IfExp):
        kinds = {_kind(one, scope, deep + 1) for one in (value.body, value.orelse)}
        if "name" in kinds:
            return "either"
    return "text"


def is_said(pattern: str) -> bool:
    """Whether there are words in it that another language says otherwise."""
    fixed = re.sub(r"%\(\w+\)s", " ", pattern)
    words = [one for one in WORD.findall(fixed) if one not in SAME]
    if not words or ("%(" not in pattern and CODE.search(pattern)):
        return False
    if " " not in pattern and re.search(r"[%:/]", pattern):
        return False
    if (
        pattern in NOT_SAID
        or pattern[0] in " ,;:."
        or (pattern.startswith("(") and ")" not in pattern)
        or pattern[-1] == " "
        or re.search(r"^\w*\.?%\(\w+\)s[._]?\w*(\.\w+)?$", pattern)
    ):
        return False
    return not re.search(r"[<>]|=\"|\\", fixed)


WRITTEN: Final = ROOT / "shop" / "locale" / "composed.json"


def written() -> str:
    """What the program reads: each pattern with its places, and the texts without any."""
    found = composed()
    content = {
        "patterns": {text: places for text, (_, places) in sorted(found.items()) if places},
        "same": sorted(SAME),
        "speakers": sorted(KIND_NAMES.values()),
        "texts": sorted(
            {text for text, (_, places) in found.items() if not places}
            | {*KIND_NAMES.values(), *COLOURS.values()}
            | {one.label for one in POSITIONS.values()}
        ),
    }
    return json.dumps(content, ensure_ascii=False, indent=1) + "\n"


if __name__ == "__main__":
    for text, (place, places) in composed().items():
        print(place, repr(text), places)
