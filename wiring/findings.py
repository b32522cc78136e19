"""What a check says: findings, and figures that can be opened to show how they were reached."""

from typing import Any, Literal

import msgspec

Severity = Literal["stop", "caution", "note"]
SEVERITY_ORDER: dict[str, int] = {"stop": 0, "caution": 1, "note": 2}


class Figure(msgspec.Struct, frozen=True):
    """A number with its unit, and on request the sum behind it.

    `formula` is the formula in words or symbols, `worked` the same with the numbers put in,
    `source` the document the formula or table comes from, `assumed` what was taken for granted.
    """

    label: str
    value: float
    unit: str
    formula: str = ""
    worked: str = ""
    source: str = ""
    assumed: tuple[str, ...] = ()


class Finding(msgspec.Struct, frozen=True):
    """One result of checking a plan.

    `rule` is the stable name of the rule; `where` lists the ids in the plan it speaks of
    (channels, speakers, runs, devices), the first being where the user should look.
    """

    rule: str
    severity: Severity
    title: str
    where: tuple[str, ...]
    what_to_do: str
    source: str
    figures: tuple[Figure, ...] = ()
    detail: str = ""

    @property
    def fingerprint(self) -> str:
        """The same while the finding is about the same rule and places, whatever its numbers."""
        return f"{self.rule}@{','.join(self.where)}"

    def as_dict(self) -> dict[str, Any]:
        """Plain types for a frozen record; `msgspec.convert(d, Finding)` reads it back."""
        built = msgspec.to_builtins(self)
        assert isinstance(built, dict)
        return built
