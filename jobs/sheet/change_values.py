"""What a correction changed, in words: from the changes frozen with the sheet to its table."""

import re
from collections.abc import Iterable, Mapping
from itertools import groupby
from typing import Any, Final

from jobs import wording
from jobs.sheet.changes import FOLLOWS
from jobs.symbols import with_symbols
from jobs.wording import NOTHING, Local
from wiring.positions import POSITIONS

Change = Mapping[str, Any]

_TITLES: Final = {
    "job": "Job",
    "check_in": "On arrival",
    "fit_proofs": "Fit",
    "parts": "Parts",
    "speakers": "Speakers",
    "channels": "Channels and wires",
    "polarity_by": "Polarity proved by",
    "runs": "Power",
    "supply": "Battery and alternator",
    "settings_after": "Settings as left",
    "settings_before": "Settings as found",
    "tuning": "Tuning records",
    "other_settings": "Other settings",
    "function_checks": "Functions",
    "fault_codes": "Fault codes",
    "panels": "Panels and clips",
    "adapters": "Adapter leads",
    "sound": "Sound",
    "devices": "Products in the plan",
    "plugs": "Plugs as entered",
    "results": "Figures that follow",
    "tables": "Tables used",
}
_FIELDS: Final = {
    "serial": "serial number",
    "firmware": "firmware",
    "data_file": "file or profile",
    "options": "options and switches",
    "written_cable": "written over cable",
    "backup": "backup of the old state",
    "no_backup": "it gives no backup",
    "state_name": "settings stored as",
    "state_slot": "in slot",
    "state_by": "stored by",
    "state_at": "stored when",
    "state_device": "stored from",
    "read_back": "read back",
    "read_back_by": "read back by",
    "entered_by": "entered by",
    "shown_otherwise": "shown otherwise",
    "beyond": "set beyond the list",
    "mount_place": "mounted where",
    "torque_nm": "torque",
    "drilled": "drilled or cut",
    "clips": "clips and screws",
    "clips_replaced": "clips and screws replaced",
    "wants": "what the customer wants",
    "comeback_of": "comeback of",
    "by": "by whom",
    "at": "when",
    "before_heard": "before, heard",
    "after_heard": "after, heard",
    "before_by": "before, by whom",
    "before_at": "before, when",
    "after_by": "after, by whom",
    "after_at": "after, when",
    "before_value": "before",
    "after_value": "after",
    "reason_by": "reason, by whom",
    "reason_at": "reason, when",
    "reason": "why it stays as it is",
    "high_pass": "high-pass",
    "low_pass": "low-pass",
    "sections": "equaliser",
    "from_node": "from",
    "to_node": "to",
    "far_fuse": "fuse at the far end",
    "cable": "speaker cable",
    "factory_feed": "factory feed",
    "power_fraction": "power left",
    "sha256": "check sum",
}
_UNITS: Final = {
    "hz": "Hz",
    "v": "V",
    "a": "A",
    "nm": "N·m",
    "w": "W",
    "ohm": "Ω",
    "c": "°C",
    "ah": "Ah",
    "ms": "ms",
    "percent": "%",
    "dbfs": "dBFS",
}
_SNAKE: Final = re.compile(r"[a-z]+(_[a-z]+)+")
_DAY: Final = re.compile(r"\d{4}-\d\d-\d\d(T\d\d:\d\d:\d\d[+-]\d\d:\d\d)?\Z")
_PLACE: Final = frozenset({"position", "place"})


def _field(name: str) -> str:
    if name in _FIELDS:
        return _FIELDS[name]
    words = name.split("_")
    if len(words) > 1 and words[-1] in {*_UNITS, "m", "db", "fraction"}:
        words.pop()
    return " ".join(words)


def _lead(one: Mapping[str, Any]) -> str:
    lead = wording.lead(one)
    pin = f"pin {lead['cavity']}" if lead["cavity"] else ""
    return ", ".join(filter(None, [pin, lead["colour"] if lead["base"] else ""])) or NOTHING


def _fuse(one: Mapping[str, Any], local: Local, end: str) -> str:
    fuse = wording.fuse(one.get("rating_a"), str(one.get("body", "")))
    return f"{fuse}, {local.distance(one.get('distance_m'))} from {end}"


def _number(name: str, value: float, local: Local) -> str:
    suffix = name.rpartition("_")[2]
    if suffix == "m":
        return local.length(value)
    if suffix == "db":
        return wording.level(value)
    if suffix == "fraction" or name.endswith("_duty"):
        return wording.quantity(100 * value, "%")
    if suffix in _UNITS and suffix != name:
        return wording.quantity(value, _UNITS[suffix])
    return str(value) if isinstance(value, int) else wording.number(value)


def _text(name: str, value: str, local: Local) -> str:
    if name in _PLACE and value in POSITIONS:
        return POSITIONS[value].label
    if _DAY.match(value):
        return local.day(value) if len(value) == 10 else local.moment(value)
    if value.startswith("picture "):
        return f"drawn as {value.removeprefix('picture ')}"
    return with_symbols(value.replace("_", " ") if _SNAKE.fullmatch(value) else value)


def _composite(name: str, value: Any, local: Local) -> str | None:
    """A field that is read as one value though it is made of several."""
    if name in {"high_pass", "low_pass"} and isinstance(value, Mapping):
        crossover = wording.crossover(value) or {}
        return f"{crossover['corner']}, {crossover['kind']}"
    if name == "sections" and isinstance(value, list):
        return "; ".join(map(wording.section, value))
    if name in {"positive", "negative"} and isinstance(value, Mapping):
        return _lead(value)
    if name == "conductor" and isinstance(value, Mapping):
        return wording.conductor({"conductor": value})
    if name in {"fuse", "far_fuse"} and isinstance(value, Mapping):
        return _fuse(value, local, "the far end" if name == "far_fuse" else "battery")
    if name == "cable" and isinstance(value, Mapping):
        return local.speaker_cable(value)
    if isinstance(value, list) and [type(one) for one in value] in ([float, str], [int, str]):
        return wording.quantity(value[0], with_symbols(value[1]))
    return None


def _value(name: str, value: Any, local: Local) -> str:
    if value is None or value in ("", [], {}):
        return NOTHING
    if (text := _composite(name, value, local)) is not None:
        return text
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return _number(name, value, local)
    if isinstance(value, list):
        return ", ".join(_value(name, one, local) for one in value)
    if isinstance(value, Mapping):
        listed = [(key, _value(key, one, local)) for key, one in value.items() if one != name]
        return ", ".join(
            text if key in {"by", "at"} else f"{_field(key)} {text}"
            for key, text in listed
            if text != NOTHING
        )
    return _text(name, str(value), local)


def _said(change: Change, local: Local) -> dict[str, str]:
    path = [str(one) for one in change["path"]]
    whole = isinstance(change["was"] or change["is"], Mapping) and path[-1] not in _FIELDS
    *about, last = path[1:] or path
    what = [one if index == 0 else _field(one) for index, one in enumerate(about)]
    # What stands alone in its section is a field; what is there or not is called by its name.
    named = (
        last
        if whole and last not in {"fuse", "far_fuse", "cable", "conductor", "wire"}
        else _field(last)
    )
    was, now = (_value(last, change[side], local) for side in ("was", "is"))
    if was == now and path[0] not in FOLLOWS:
        was, now = (f"{value} ({change[side]})" for value, side in ((was, "was"), (now, "is")))
    return {
        "what": with_symbols(wording.capital(", ".join([*what, named]))),
        "was": was,
        "is": now,
    }


def title_of(change: Change) -> str:
    section = str(change["path"][0])
    return _TITLES.get(section, wording.capital(section.replace("_", " ")))


def said_of(change: Change, local: Local) -> str:
    """One change in a line: "A1, serial number: WF-20418 → WF-20481"."""
    text = _said(change, local)
    return f"{text['what']}: {text['was']} → {text['is']}"


def change_values(changes: Iterable[Change], local: Local) -> list[dict[str, Any]]:
    """The changes by section as the sheet's table shows them.

    A figure that follows and moved less than it is written is left out.
    """
    told = [(one, _said(one, local)) for one in changes]
    shown = [
        (title_of(one), row)
        for one, row in told
        if row["was"] != row["is"] or one["path"][0] not in FOLLOWS
    ]
    return [
        {"title": title, "rows": [row for _, row in listed]}
        for title, listed in groupby(shown, lambda pair: pair[0])
    ]
