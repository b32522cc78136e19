"""Two documents of one car beside each other: what was left then, what is found now.

Rows are matched by what they are, not by how a job calls them: parts by product, channels by
their place in the plan, readings by kind and what they are about.
"""

from collections import Counter
from collections.abc import Hashable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from django.utils.translation import gettext

from jobs import wording
from jobs.sheet.values import sheet_values
from jobs.wording import NOTHING

Document = Mapping[str, Any]


@dataclass(frozen=True)
class Line:
    """One thing then and now; `differs` where both are said and not alike."""

    name: str
    then: str
    now: str

    @property
    def differs(self) -> bool:
        return NOTHING not in {self.then, self.now} and self.then != self.now


@dataclass(frozen=True)
class Group:
    """The lines of one kind, with what the two columns hold."""

    title: str
    then_is: str
    now_is: str
    lines: tuple[Line, ...]

    @property
    def differing(self) -> int:
        return sum(line.differs for line in self.lines)


_Rows = Iterable[tuple[Hashable, str, str]]
"""What a row is, how it is called, what it says."""


def _counted(rows: _Rows) -> dict[Hashable, tuple[str, str]]:
    """The rows by what they are; the second of two alike stands for itself."""
    seen: Counter[Hashable] = Counter()
    listed: dict[Hashable, tuple[str, str]] = {}
    for what, name, said in rows:
        listed[what, seen[what]] = (name, said)
        seen[what] += 1
    return listed


def _lines(then: _Rows, now: _Rows) -> tuple[Line, ...]:
    was, stands = _counted(then), _counted(now)
    keys = [*was, *(key for key in stands if key not in was)]
    return tuple(
        Line(
            (was.get(key) or stands[key])[0],
            was[key][1] if key in was else NOTHING,
            stands[key][1] if key in stands else NOTHING,
        )
        for key in keys
    )


def _parts(document: Document) -> _Rows:
    for one in document["parts"]:
        what = one.get("product_id") or one["product"]
        said = [one["label"]]
        said += [wording.plural(one["quantity"], "piece")] if one["quantity"] > 1 else []
        said += [f"serial {one['serial']}"] if one["serial"] else []
        said += [f"firmware {one['firmware']}"] if one["firmware"] else []
        data = one.get("data", {})
        said += [f"file {data['data_file']}"] if "data_file" in data else []
        said += [f"options {data['options']}"] if "options" in data else []
        yield what, one["product"], ", ".join(filter(None, said))


def _channels(values: Mapping[str, Any]) -> _Rows:
    for one in values["channels"]:
        feeds = ", ".join(_fed(fed) for fed in one["feeds"])
        leads = [_lead(sign, one[name]) for sign, name in (("+", "positive"), ("−", "negative"))]
        load = "" if one["load"] == NOTHING else one["load"]
        said = [feeds, load, *leads]
        yield one["id"], one["id"], "; ".join(filter(None, said)) or NOTHING


def _fed(fed: Mapping[str, str]) -> str:
    return f"{fed['words']} {fed['name']}" if fed["name"] else f"{fed['id']} {fed['words']}"


def _lead(sign: str, lead: Mapping[str, Any]) -> str:
    said = " ".join(filter(None, [lead["cavity"], lead["code"]]))
    return f"{sign}\u00a0{said}" if said else ""


def _setting(one: Mapping[str, Any]) -> str:
    if not one["recorded"]:
        return NOTHING
    said = [
        f"{name} {one[key]['corner']}, {one[key]['kind']}"
        for name, key in ((gettext("high-pass"), "high_pass"), (gettext("low-pass"), "low_pass"))
        if one[key]
    ]
    said += [one["level"], one["delay"]]
    said += [one["polarity"]] if one["inverted"] else []
    said += [gettext("muted")] if one["muted"] else []
    return "; ".join([*said, *one["sections"]])


def _settings(values: Mapping[str, Any], kinds: tuple[str, ...]) -> _Rows:
    """The settings of each channel, of the first of the records that has them."""
    for one in values["settings"]:
        said = [_setting(one[kind]) for kind in kinds]
        if found := next((text for text in said if text != NOTHING), ""):
            yield one["id"], one["id"], found


def _readings(document: Document, phases: tuple[str, ...]) -> _Rows:
    for one in document["readings"]:
        taken = [one[f"{phase}_value"] for phase in phases]
        value = next((value for value in taken if value is not None), None)
        what = (one["kind"], one["about"] or one["label"])
        yield what, one["label"], wording.quantity(value, one["unit"])


LAST_FIRST: Final = ("after", "before")


def beside(then: Document, now: Document) -> list[Group]:
    """What the earlier job left, and the same as this one finds it.

    `then` may be of any version. What the earlier job recorded as left stands against what this
    one recorded on arrival; where either has only one of the two records, that one stands.
    """
    was, stands = sheet_values(then), sheet_values(now)
    old, new = was["document"], stands["document"]
    return [
        Group("Parts", "Fitted then", "On this job", _lines(_parts(old), _parts(new))),
        Group("Channels", "Wired then", "On this job", _lines(_channels(was), _channels(stands))),
        Group(
            "Settings",
            "As left",
            "As found",
            _lines(_settings(was, LAST_FIRST), _settings(stands, LAST_FIRST[::-1])),
        ),
        Group(
            "Readings",
            "As left",
            "As found",
            _lines(_readings(old, LAST_FIRST), _readings(new, LAST_FIRST[::-1])),
        ),
    ]
