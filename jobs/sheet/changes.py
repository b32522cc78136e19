"""What one frozen record says otherwise than another: plain documents in, plain changes out.

A change names its place and both values: {"path": ["parts", "A1", "serial"], "was": …, "is": …}.
Things are matched by what they are called, so a new first row does not change all that follow.
Values stay as they are in the documents; `jobs.sheet.change_values` puts them into words.
"""

import hashlib
import math
from collections.abc import Iterator, Mapping
from typing import Any, Final

Document = Mapping[str, Any]
Path = tuple[str, ...]

WHOLE: Final = frozenset(
    {
        "high_pass",
        "low_pass",
        "sections",
        "positive",
        "negative",
        "conductor",
        "fuse",
        "far_fuse",
        "cable",
    }
)
"""Fields that are read as one value though they are made of several."""

_OWN: Final = frozenset(
    {
        "document_version",
        "language",
        "shop_language",
        "logo",
        "sheet",
        "plan",
        "plan_before",
        "speaker_parts",
        "tuning",
    }
)
"""Keys of a document that say which sheet it is and how it is read, or are looked at part by
part."""

_SAID_TWICE: Final[dict[str, frozenset[str]]] = {
    "parts": frozenset({"product_id", "maker", "name", "kind_label"}),
    "function_checks": frozenset({"before_label", "after_label", "lost"}),
    "readings": frozenset({"unit", "about", "wanted_before"}),
    "fault_codes": frozenset({"new", "none"}),
    "findings": frozenset({"figures", "rule", "where", "fingerprint", "source", "what_to_do"}),
    "results": frozenset({"figures", "drawing", "node_v", "return_v"}),
    "sound": frozenset({"curves", "disagrees", "as_setup", "takes_as_one"}),
    "signatures": frozenset({"manager", "image"}),
}
"""Fields that follow from others of the same section, or are drawn from them."""

_NAMES: Final[dict[str, tuple[str, ...]]] = {
    "fit_proofs": ("source", "reference"),
    "marks": ("kind", "x", "y"),
    "outputs": ("name", "side", "plug"),
    "channels": ("id",),
    "wires": ("from_pin", "to_pin"),
}
"""What tells the rows of a list apart, where it is not one of the usual names."""

_USUAL_NAMES: Final = ("id", "label", "fingerprint", "name", "title", "text")

FOLLOWS: Final = frozenset(
    {
        "results",
        "assumptions",
        "tables",
        "cautions",
        "shop",
        "customer",
        "vehicle",
        "devices",
        "plugs",
        "signatures",
    }
)
"""Sections that nobody enters on the sheet: sums, and facts kept elsewhere."""

_STAMPS: Final = ("by", "at")


def _settings(plan: Document | None, tuning: Document, kind: str) -> dict[str, Any]:
    """The settings that stand in the record of a kind, by channel, with what is left unsaid."""
    recorded = set(tuning.get(kind, {}).get("channels", ()))
    return {
        channel["id"]: {"level_db": 0.0, "delay_ms": 0.0, **channel.get("setting", {})}
        for channel in (plan or {}).get("channels", ())
        if channel["id"] in recorded
    }


def _sections(document: Document) -> dict[str, Any]:
    """The document as it is compared, in the order in which changes are listed."""
    plan = document.get("plan") or {}
    tuning = document.get("tuning") or {}
    own_parts = document.get("speaker_parts") or {}
    sections: dict[str, Any] = {
        name: document.get(name) for name in ("job", "check_in", "fit_proofs", "parts")
    }
    sections["speakers"] = [
        {**one, "part": own_parts.get(one["id"], "")} for one in plan.get("speakers", ())
    ]
    sections["channels"] = [
        {name: value for name, value in one.items() if name != "setting"}
        for one in plan.get("channels", ())
    ]
    sections["runs"] = plan.get("runs")
    sections["supply"] = plan.get("supply")
    sections["settings_after"] = _settings(plan, tuning, "after")
    sections["settings_before"] = _settings(document.get("plan_before"), tuning, "before")
    sections["tuning"] = {
        kind: {name: value for name, value in record.items() if name != "channels"}
        for kind, record in tuning.items()
    }
    for name in ("other_settings", "function_checks"):
        sections[name] = document.get(name)
    sections["readings"] = [
        {
            **row,
            **{
                f"{phase}_value": [row[f"{phase}_value"], row.get("unit", "")]
                for phase in ("before", "after")
                if row.get(f"{phase}_value") is not None
            },
        }
        for row in document.get("readings") or ()
    ]
    last = ("findings", "sound", "results", "assumptions", "tables", "cautions", "signatures")
    for name, value in document.items():
        if name not in sections and name not in _OWN and name not in last:
            sections[name] = value
    sections["devices"] = plan.get("devices")
    sections |= {name: document.get(name) for name in last}
    results = dict(document.get("results") or {})
    results["standing"] = {
        row["label"]: [row["value"], row["unit"]] for row in results.get("standing") or ()
    }
    sections["results"] = results
    sections["assumptions"] = {
        row["label"]: {row["name"]: row["value"]} for row in document.get("assumptions") or ()
    }
    return sections


def _called(row: Mapping[str, Any], names: tuple[str, ...]) -> str:
    return " ".join(str(row[name]) for name in names if row.get(name) not in {None, ""})


def _by_name(rows: list[Any], listed_in: str) -> dict[str, Any]:
    """The rows of a list by what they are called; the second of a name is called "… (2)"."""
    usual = next((name for name in _USUAL_NAMES if all(name in row for row in rows)), None)
    names = _NAMES.get(listed_in, (usual,) if usual else ())
    by_name: dict[str, Any] = {}
    for row in rows:
        name = base = _called(row, names) or "1"
        count = 1
        while name in by_name:
            count += 1
            name = f"{base} ({count})" if names else str(count)
        by_name[name] = row
    return by_name


def _is_nothing(value: Any) -> bool:
    return value is None or value is False or value in ("", [], {})


def _same(old: Any, new: Any) -> bool:
    """Equal, whatever way nothing is written and however a database writes a number."""
    if _is_nothing(old) and _is_nothing(new):
        return True
    if isinstance(old, list) and isinstance(new, list):
        return len(old) == len(new) and all(map(_same, old, new))
    if isinstance(old, dict) and isinstance(new, dict):
        return all(_same(old.get(key), new.get(key)) for key in old.keys() | new.keys())
    numbers = isinstance(old, int | float) and isinstance(new, int | float)
    if numbers and not isinstance(old, bool) and not isinstance(new, bool):
        return math.isclose(old, new, rel_tol=1e-9, abs_tol=1e-12)
    return bool(old == new)


def _kept(value: Any, section: str) -> Any:
    """A value as a change keeps it: without what is said twice, a picture by its digest."""
    if isinstance(value, dict):
        twice = _SAID_TWICE.get(section, frozenset())
        return {key: _kept(one, section) for key, one in value.items() if key not in twice}
    if isinstance(value, list):
        return [_kept(one, section) for one in value]
    if isinstance(value, str) and value.startswith(("<svg", "data:")):
        return f"picture {hashlib.sha256(value.encode()).hexdigest()[:8]}"
    return value


def _rows(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and isinstance(value[0], dict)


def _walk(old: Any, new: Any, path: Path) -> Iterator[dict[str, Any]]:
    name = path[-1]
    if name not in WHOLE and (_rows(old) or _rows(new)):
        was, now = _by_name(old or [], name), _by_name(new or [], name)
        for key in [*was, *(one for one in now if one not in was)]:
            row = now.get(key) or was[key]
            place = (*path, row["title"] if name == "findings" else key)
            if key in was and key in now:
                yield from _walk(was[key], row, place)
            else:
                yield _change(place, was.get(key), now.get(key))
    elif name not in WHOLE and isinstance(old or new, dict):
        was, now = old or {}, new or {}
        if len(path) > 1 and path[0] not in FOLLOWS and bool(old) != bool(new):
            yield _change(path, old, new)
            return
        twice = _SAID_TWICE.get(path[0], frozenset())
        for key in [*was, *(one for one in now if one not in was)]:
            if key not in twice:
                yield from _walk(was.get(key), now.get(key), (*path, key))
    elif not _same(old, new):
        yield _change(path, old, new)


def _change(path: Path, old: Any, new: Any) -> dict[str, Any]:
    return {"path": list(path), "was": _kept(old, path[0]), "is": _kept(new, path[0])}


def changes(before: Document, after: Document) -> list[dict[str, Any]]:
    """Every difference of `after` from `before`, in the order of the sheet."""
    old, new = _sections(before), _sections(after)
    return [
        change
        for name in [*new, *(one for one in old if one not in new)]
        for change in _walk(old.get(name), new.get(name), (name,))
    ]


def is_entered(change: Mapping[str, Any]) -> bool:
    """The change was made on the job: neither a sum nor a fact kept elsewhere, and more than
    who wrote the same again, and when."""
    path: list[str] = change["path"]
    if path[0] == "findings":
        return path[-1] == "reason"
    if path[0] in FOLLOWS:
        return False
    return path[-1] not in _STAMPS and not path[-1].endswith(tuple(f"_{one}" for one in _STAMPS))
