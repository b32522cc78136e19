"""How a demo job is written down: what was fitted, measured, tried and set."""

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from deploy.demo.tuning import Tuned


@dataclass(frozen=True)
class PlacedSpeaker:
    """A speaker in its place. `product` None is a factory speaker, its figures in `fields`."""

    key: str
    product: str | None
    position: str
    fields: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Filter:
    """A crossover: order counts 6 dB per octave each."""

    family: str
    order: int
    hz: float


@dataclass(frozen=True)
class Setting:
    """Settings of one channel in one tuning record."""

    high: Filter | None = None
    low: Filter | None = None
    level_db: float = 0.0
    delay_ms: float = 0.0
    inverted: bool = False
    muted: bool = False
    sections: tuple[dict[str, Any], ...] = ()

    def fields(self) -> dict[str, Any]:
        """As fields of a channel's row in a tuning record."""
        fields: dict[str, Any] = {
            "level_db": self.level_db,
            "delay_ms": self.delay_ms,
            "inverted": self.inverted,
            "muted": self.muted,
            "sections": list(self.sections),
        }
        for name, one in (("high_pass", self.high), ("low_pass", self.low)):
            if one is not None:
                fields[f"{name}_family"] = one.family
                fields[f"{name}_order"] = one.order
                fields[f"{name}_hz"] = one.hz
        return fields


@dataclass(frozen=True)
class Wiring:
    """A channel and what it feeds. `speakers` are keys; `feeds` is (part label, input)."""

    channel: str
    speakers: tuple[str, ...] = ()
    feeds: tuple[str, int] | None = None
    connector: str = ""
    plus: tuple[str, str, str] = ("", "", "")
    minus: tuple[str, str, str] = ("", "", "")
    fields: dict[str, Any] = field(default_factory=dict)
    before: Setting | None = None
    after: Setting | None = None

    def plain_fields(self) -> dict[str, Any]:
        """As fields of the channel's row; a lead is (cavity, base colour, stripe)."""
        fields: dict[str, Any] = {"connector": self.connector}
        for name, lead in (("positive", self.plus), ("negative", self.minus)):
            fields |= {
                f"{name}_cavity": lead[0],
                f"{name}_base": lead[1],
                f"{name}_stripe": lead[2],
            }
        return fields | self.fields


@dataclass(frozen=True)
class Measured:
    """A reading by its label; None is a value not taken."""

    label: str
    before: float | None
    after: float | None
    instrument: str = "Multimeter, desk drawer 2"


@dataclass(frozen=True)
class Tried:
    """A function check that is not simply "works" before and after."""

    name: str
    before: str = "works"
    after: str = "works"
    before_note: str = ""
    after_note: str = ""
    before_heard: tuple[str, str] = ("", "")
    """Where a signal is heard from, and how loud."""
    after_heard: tuple[str, str] = ("", "")

    def said(self, phase: str) -> dict[str, str]:
        """What is written down beside the result."""
        place, level = getattr(self, f"{phase}_heard")
        facts = {"note": getattr(self, f"{phase}_note"), "heard_from": place, "level": level}
        return {f"{phase}_{name}": value for name, value in facts.items() if value}


@dataclass(frozen=True)
class Proof:
    """A fit proof; `days` before the work started is when it was consulted."""

    source: str
    reference: str
    outcome: str = "fits"
    note: str = ""
    days: int = 2


@dataclass(frozen=True)
class Work:
    """All that a technician enters on one bay sheet."""

    parts: tuple[tuple[str, int], ...]
    part_fields: dict[str, dict[str, Any]]
    proofs: tuple[Proof, ...]
    speakers: tuple[PlacedSpeaker, ...]
    wirings: tuple[Wiring, ...]
    runs: tuple[dict[str, Any], ...]
    supply: dict[str, Any]
    readings: tuple[Measured, ...]
    functions: tuple[Tried, ...] = ()
    other_settings: tuple[tuple[str, str, str], ...] = ()
    adapters: tuple[tuple[str, str, tuple[tuple[str, ...], ...]], ...] = ()
    """The plugs at either end, and each wire: pin, pin, base and stripe colour, note."""
    panels: tuple[tuple[str, int, int, str], ...] = ()
    """Name, clips and screws, how many of them were replaced, and what became of the panel."""
    notes: tuple[str, ...] = ()
    tuning: "Tuned | None" = None
    reasons: dict[str, str] = field(default_factory=dict)
    """Rule name to the manager's reason, for cautions that stand."""
