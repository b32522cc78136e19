"""Which column of a row holds which field of a part of the plan: told by their names alone.

No list of columns is written down. A field of the plan's types is the column of the same name; a
field of a part within a part is the column named for both (`fuse`, `rating_a`: `fuse_rating_a`)
or, where the model has none such, for the inner one (`conductor`, `size`: `size`). So a new fact
is a field of the model and a field of the plan's type, and is read, kept and carried by name.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from operator import attrgetter
from typing import Any, Final, Generic, TypeVar, get_args, get_origin

import msgspec
from django.db import models

from jobs.models import Channel, ChannelSetting, JobSpeaker, PowerRun, SupplyFacts
from shop.models import Product, Shop
from wiring import plan as doc
from wiring.filters.passive_text import read_passive
from wiring.power import charging

Part = TypeVar("Part", bound=doc.Document)

_SHORTER: Final = {"frequency_hz": "hz"}
"""What a field is called in a column, where that is not its own name."""


def _fuse(rating_a: float | None = None, **facts: Any) -> doc.Fuse | None:
    """A fuse counts once its rating is entered."""
    return None if rating_a is None else doc.Fuse(rating_a, **{"distance_m": 0.0, **facts})


def _crossover(**facts: Any) -> doc.Crossover | None:
    whole = all(facts.get(name) for name in doc.Crossover.__struct_fields__)
    return doc.Crossover(**facts) if whole else None


def _wire(**facts: Any) -> doc.Wire | None:
    wire = doc.Wire(**facts)
    written = msgspec.structs.replace(wire, polarity_proved=None) != doc.Wire()
    return wire if written else None


def _cable(size: str = "", length_m: float | None = None, **facts: Any) -> doc.SpeakerCable | None:
    """A speaker cable counts once its size and length are entered."""
    return doc.SpeakerCable(size, length_m, **facts) if size and length_m is not None else None


def _factory_feed(**facts: Any) -> doc.FactoryFeed | None:
    return doc.FactoryFeed(**facts) if facts else None


_MADE_BY: Final[dict[type[doc.Document], Any]] = {
    doc.Fuse: _fuse,
    doc.SpeakerCable: _cable,
    doc.FactoryFeed: _factory_feed,
    doc.Crossover: _crossover,
    doc.Wire: _wire,
}
"""What may be missing as a whole, and when it is."""


@dataclass(frozen=True)
class _Fields:
    """The fields of one type that have a column of their own, and the parts within it."""

    kind: type[doc.Document]
    own: dict[str, str] = field(default_factory=dict)
    within: "dict[str, _Fields]" = field(default_factory=dict)
    getters: dict[str, Callable[[Any], tuple[Any, ...]]] = field(default_factory=dict)

    @property
    def names(self) -> tuple[str, ...]:
        inner = [name for one in self.within.values() for name in one.names]
        return (*self.own.values(), *inner)

    def read(self, row: Any, prefix: str) -> dict[str, Any]:
        """The values by field; what a row does not know is left out, so that the type's own
        default stands for it."""
        values = self._getter(prefix)(row)
        facts = {
            name: value for name, value in zip(self.own, values, strict=True) if value is not None
        }
        for name, inner in self.within.items():
            facts[name] = _MADE_BY.get(inner.kind, inner.kind)(**inner.read(row, prefix))
        return facts

    def _getter(self, prefix: str) -> Callable[[Any], tuple[Any, ...]]:
        """Gives the values of a row's own columns: made once, for a plan asks it of each row."""
        if (made := self.getters.get(prefix)) is None:
            columns = [prefix + column for column in self.own.values()]
            made = self.getters[prefix] = (
                attrgetter(*columns) if len(columns) > 1 else _values_of(columns)
            )
        return made

    def write(self, part: Any, model: type[models.Model]) -> dict[str, Any]:
        """The values by column; a part that is not there leaves its columns empty."""
        if part is None:
            return {name: _empty(model, name) for name in self.names}
        values = {column: getattr(part, name) for name, column in self.own.items()}
        for name, inner in self.within.items():
            values |= inner.write(getattr(part, name), model)
        return values


def _values_of(columns: list[str]) -> Callable[[Any], tuple[Any, ...]]:
    """As attrgetter, of fewer than the two columns from which on that gives a tuple."""
    return lambda row: tuple(getattr(row, column) for column in columns)


def _empty(model: type[models.Model], name: str) -> Any:
    column = model._meta.get_field(name)
    assert isinstance(column, models.Field)
    return column.get_default()


def _inner_type(kind: Any) -> type[doc.Document] | None:
    if get_origin(kind) is tuple:
        return None
    for one in (kind, *get_args(kind)):
        if isinstance(one, type) and issubclass(one, doc.Document):
            return one
    return None


def _fields(
    kind: type[doc.Document],
    model: type[models.Model],
    way: tuple[str, ...] = (),
    made: tuple[str, ...] = (),
) -> _Fields:
    columns = {one.name for one in model._meta.concrete_fields}
    fields = _Fields(kind)
    for one in msgspec.structs.fields(kind):
        if one.name in made:
            continue
        if inner := _inner_type(one.type):
            fields.within[one.name] = _fields(inner, model, (*way, one.name))
            continue
        called = (*way, _SHORTER.get(one.name, one.name))
        ways = ("_".join(called[start:]) for start in range(len(called)))
        column = next((name for name in ways if name in columns), None)
        if column is None:
            raise TypeError(f"{kind.__name__}.{one.name} has no column in {model.__name__}.")
        fields.own[one.name] = column
    return fields


class Columns(Generic[Part]):
    """The columns of `model` that hold the fields of the plan's type `part`.

    `made` names the fields that the caller makes from something else and gives to `read`.
    `prefix` stands before every column where rows of a join are read. Raises TypeError for a
    field that is neither a column nor made.
    """

    def __init__(
        self, part: type[Part], model: type[models.Model], *made: str, prefix: str = ""
    ) -> None:
        self.part, self.model, self.prefix = part, model, prefix
        self._fields = _fields(part, model, made=made)
        self.names: tuple[str, ...] = self._fields.names

    def within(self, name: str) -> tuple[str, ...]:
        """The columns of a part within the part: those of a run's fuse."""
        return self._fields.within[name].names

    def facts(self, row: Any) -> dict[str, Any]:
        """What a row knows, by field of the plan's type."""
        return self._fields.read(row, self.prefix)

    def read(self, row: Any, **made: Any) -> Part:
        """The row as a part of the plan."""
        return self.part(**self.facts(row), **made)

    def write(self, part: Part) -> dict[str, Any]:
        """The part's fields by column."""
        return self._fields.write(part, self.model)


RUN: Final = Columns(doc.Run, PowerRun, "id")
SPEAKER: Final = Columns(doc.Speaker, JobSpeaker, "id", "factory", "passive")
CHANNEL: Final = Columns(
    *(doc.Channel, Channel, "id", "device", "speakers", "feeds_device", "setting"),
    *("polarity_heard", "heard_side", "heard_zone"),
)
SETTING: Final = Columns(doc.Setting, ChannelSetting, "sections")
DEVICE: Final = Columns(
    doc.Device,
    Product,
    *("id", "name", "kind", "ratings", "bridgeable", "turn_on", "turn_on_by", "regulated"),
    *("built_in_fuses_a", "battery_chemistry"),
    *("input_from", "digital_input", "input_from_v", "limits"),
    prefix="product_",
)
SPEAKER_FIGURES: Final = Columns(
    *(doc.Speaker, Product),
    *("id", "name", "kind", "position", "coil_joining", "factory", "passive"),
)
"""What the catalogue knows of a speaker, under the names it has in the plan."""

SUPPLY: Final = Columns(
    doc.Supply,
    SupplyFacts,
    *("nominal_v", "charging_v", "rest_v", "internal_resistance_ohm"),
    *("key_off_before_a", "key_off_after_a"),
)
ASSUMPTIONS: Final = Columns(
    doc.Assumptions,
    Shop,
    *(
        "max_drop_fraction",
        "max_full_drop_fraction",
        "music_duty",
        "bass_duty",
        "body_return_ohm",
        "connection_ohm",
        "rule_book",
    ),
)

WIRE_COLUMNS: Final = tuple(name for name in CHANNEL.within("wire") if name != "polarity_proved")
"""What is written down of a channel's wire, whether or not its polarity was proved."""


def speaker_of(row: Any, **made: Any) -> doc.Speaker:
    """A speaker's row as a speaker of the plan, with what stands passively before it."""
    return SPEAKER.read(row, passive=read_passive(row.passive), **made)


def setting_of(row: Any) -> doc.Setting:
    """A row of a tuning record as the setting of a plan's channel; None as one that does nothing.

    Raises TypeError for a section that is none.
    """
    if row is None:
        return doc.Setting()
    return SETTING.read(row, sections=tuple(doc.Section(**one) for one in row.sections))


def setting_values(setting: doc.Setting) -> dict[str, Any]:
    """A setting of a plan as the fields of a tuning record's row."""
    return {
        **SETTING.write(setting),
        "sections": [msgspec.structs.asdict(one) for one in setting.sections],
    }


def supply_values(supply: doc.Supply) -> dict[str, Any]:
    """What a plan knows of battery and alternator as the fields of a job's row."""
    return {
        **SUPPLY.write(supply),
        "internal_resistance_mohm": round(supply.internal_resistance_ohm * 1000, 6),
        "system_v": 24 if charging.blocks(supply) == 2 else 12,
    }


SUPPLY_COLUMNS: Final = tuple(supply_values(doc.Supply()))


def supply_facts(row: Any) -> dict[str, Any]:
    """A job's row as fields of the plan's supply."""
    whole = doc.Supply()
    count = row.system_v / 12
    return {
        **SUPPLY.facts(row),
        "internal_resistance_ohm": row.internal_resistance_mohm / 1000,
        "nominal_v": whole.nominal_v * count,
        "charging_v": whole.charging_v * count,
    }
