"""Reads whose SQL is made once: every request asks for its shop, its session and its person, and
the saves of the bay sheet repeat the same dozen all day.

Making the SQL of a queryset takes several times as long as running it on one job. A prepared read
keeps the SQL and its converters, and puts only the keys in.
"""

import marshal
from collections import namedtuple
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import count
from typing import Any, Final, Generic, Protocol, TypeVar
from weakref import WeakKeyDictionary

from django.db import connections, transaction
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.models import Model, QuerySet
from django.db.models.query import get_related_populators
from django.db.models.sql.compiler import SQLCompiler
from django.utils.translation import get_language

_JOB: Final = 2_146_029_087
"""Stands for the first key while the SQL is made, the numbers after it for the next. It fits every
whole number's column, since a lookup of what does not fit is left out of the SQL on PostgreSQL;
nothing else that a read is made with is that large."""

_TEXT: Final = "a text that stands for the key"
"""The same for the one key of a read that is text."""

_WITHOUT_REFERENCES: Final = 2
"""How marshal writes what is alike always alike, whether or not two texts are one object."""

Row = TypeVar("Row", bound=Model)
Made = TypeVar("Made")


@dataclass(frozen=True, eq=False)
class _Statement:
    """A queryset's SQL, and how what the database answers becomes values."""

    sql: str
    params: tuple[Any, ...]
    compiler: SQLCompiler
    converters: dict[int, Any]

    @classmethod
    def of(cls, rows: "QuerySet[Any]", using: str) -> "_Statement":
        compiler = rows.query.get_compiler(using)
        sql, params = compiler.as_sql()
        converters = compiler.get_converters([column[0] for column in compiler.select])
        return cls(sql, tuple(params), compiler, converters)

    def with_keys(self, keys: tuple[int | str, ...]) -> list[Any]:
        """The parameters with these keys put in."""
        put = {
            _TEXT if isinstance(key, str) else _JOB + place: key for place, key in enumerate(keys)
        }
        return [put.get(value, value) for value in self.params]

    def converted(self, rows: Iterable[Any]) -> Iterable[Any]:
        """What the database answered as values."""
        return self.compiler.apply_converters(rows, self.converters) if self.converters else rows

    def read(self, keys: tuple[int | str, ...], using: str) -> Iterable[Any]:
        """The rows with these keys put in."""
        connection = connections[using]
        with connection.cursor() as cursor:
            if connection.vendor == "postgresql" and keys and all(map(_is_number, keys)):
                cursor.execute(_planned(connection, keys, self))
            else:
                cursor.execute(self.sql, self.with_keys(keys))
            rows = cursor.fetchall()
        return self.converted(rows)


_NUMBERS: Final = count()
_held: WeakKeyDictionary[Any, dict[_Statement, str]] = WeakKeyDictionary()
"""Of each connection to PostgreSQL, the reads that its server has planned, by their name there."""


def _is_number(key: int | str) -> bool:
    """Whether PostgreSQL takes a key as a bigint."""
    return isinstance(key, int) and -(2**63) <= key < 2**63


@lru_cache(maxsize=128)
def _text(made: _Statement, using: str, keys: int) -> str:
    """The SQL of a read as PostgreSQL plans it, with $1 where the first key stands."""
    with connections[using].cursor() as cursor:
        text = str(cursor.mogrify(made.sql, made.params))
    for place in range(keys):
        text = text.replace(str(_JOB + place), f"${place + 1}")
    return f"({', '.join(['bigint'] * keys)}) AS {text}"


def _planned(connection: BaseDatabaseWrapper, keys: Sequence[int | str], *reads: _Statement) -> str:
    """What asks PostgreSQL for some reads with these keys, which are whole numbers.

    To plan a read takes it twice as long as to run it, so each is planned once a connection. A name
    is never given twice: what was planned stays when a transaction is taken back.
    """
    held = _held.setdefault(connection.connection, {})
    if unknown := {one: f"read_{next(_NUMBERS)}" for one in reads if one not in held}:
        using, many = connection.alias, len(keys)
        with connection.cursor() as cursor:
            for one, name in unknown.items():
                cursor.execute(f"PREPARE {name} {_text(one, using, many)}")
        held |= unknown
    put = ", ".join([f"{key:d}" for key in keys])
    return "; ".join([f"EXECUTE {held[one]}({put})" for one in reads])


class Told:
    """What a database answered, as a key: alike only where every value is, its type included.

    As keys of their own 1 and 1.0 are one, and so are 0.0 and -0.0; as bytes or as they are
    written out they are two.
    """

    __slots__ = ("_exactly", "_hash", "rows")

    def __init__(self, rows: Any) -> None:
        self.rows = rows
        try:
            self._exactly: bytes | str = marshal.dumps(rows, _WITHOUT_REFERENCES)
        except ValueError:  # A type of the driver's own, such as a decimal number.
            self._exactly = repr(rows)
        self._hash = hash(self._exactly)

    def __hash__(self) -> int:
        return self._hash

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Told) and self._exactly == other._exactly


class Prepared:
    """A read of values by job key. `build` makes the queryset of a key, `names` its columns.

    Rows come as named tuples; a column through a relation has one underscore in its name
    (`part__label` is `part_label`).
    """

    def __init__(
        self, build: Callable[[int], "QuerySet[Any]"], *names: str, using: str = "default"
    ) -> None:
        self.build = build
        self.names = names
        self.using = using
        fields = [name.replace("__", "_") for name in names]
        # The names are known when the read is made, not when it is written.
        self.row: Any = namedtuple("row", fields)  # type: ignore[misc]
        self.made: _Statement | None = None

    @property
    def statement(self) -> _Statement:
        """The SQL, made when it is first wanted."""
        if self.made is None:
            self.made = _Statement.of(self.build(_JOB).values_list(*self.names), self.using)
        return self.made

    def __call__(self, job_pk: int) -> list[Any]:
        """The rows of a job, in the order of the queryset."""
        return self._named(self.statement.read((job_pk,), self.using))

    def given(self, answer: Sequence[Any]) -> list[Any]:
        """What the database answered as rows with names and values."""
        return self._named(self.statement.converted(answer))

    def _named(self, values: Iterable[Any]) -> list[Any]:
        return [self.row(*one) for one in values]


class Unread:
    """A read that gives what the database answered, for whoever keeps what is made of a part."""

    def __init__(self, read: Prepared) -> None:
        self.read = read
        self.using = read.using

    @property
    def statement(self) -> _Statement:
        return self.read.statement

    def given(self, answer: Sequence[Any]) -> Any:
        """What the database answered."""
        return answer


class Kept(Unread, Generic[Made]):
    """A read of which `make` makes something of all its rows, kept for the same answer.

    The database is asked every time: kept is what follows from its answer, for each language, and
    from nothing else. So `make` looks at the rows alone, and what it gives is never changed.
    """

    def __init__(self, read: Prepared, make: Callable[[list[Any]], Made], most: int = 128) -> None:
        super().__init__(read)
        self.make = make
        self._kept = lru_cache(maxsize=most)(self._make)

    def _make(self, told: Told, language: str | None) -> Made:
        return self.make(self.read.given(told.rows))

    def given(self, answer: Sequence[Any]) -> Made:
        """What is made of what the database answered."""
        return self._kept(Told(answer), get_language())


class Asked(Hashable, Protocol):
    """A read of a job's rows, and what is made of the database's answer."""

    using: str

    @property
    def statement(self) -> _Statement: ...

    def given(self, answer: Sequence[Any], /) -> Any: ...


def together(job_pk: int, *reads: Asked) -> list[Any]:
    """What several reads of a job give: asked of PostgreSQL at once, since a way to the server and
    back takes as long as such a read; of SQLite, which is no way off, one after the other."""
    connection = connections[reads[0].using]
    answers = []
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            for one in reads:
                cursor.execute(one.statement.sql, one.statement.with_keys((job_pk,)))
                answers.append(one.given(cursor.fetchall()))
            return answers
        cursor.execute(_planned(connection, (job_pk,), *[one.statement for one in reads]))
        for place, one in enumerate(reads):
            if place:
                cursor.nextset()
            answers.append(one.given(cursor.fetchall()))
    return answers


class PreparedObjects(Generic[Row]):
    """A read of objects, with those that `select_related` brings along. `build` makes the queryset
    of some keys, each a whole number, or with `of_text` of one that is text; it may lock rows and
    annotate them, but prefetch nothing.
    """

    def __init__(
        self,
        build: Callable[..., "QuerySet[Row]"],
        keys: int = 1,
        using: str = "default",
        *,
        of_text: bool = False,
    ) -> None:
        self.build = build
        self.marks = (_TEXT,) if of_text else tuple(_JOB + place for place in range(keys))
        self.using = using
        self.made: tuple[_Statement, type[Row], list[str], slice, list[Any]] | None = None

    def _make(self) -> tuple[_Statement, type[Row], list[str], slice, list[Any]]:
        rows = self.build(*self.marks)
        made = _Statement.of(rows, self.using)
        select, info = made.compiler.select, made.compiler.klass_info
        own = slice(info["select_fields"][0], info["select_fields"][-1] + 1)
        names = [column[0].target.attname for column in select[own]]
        # The stubs speak of a later Django, where one argument more is asked for.
        related = get_related_populators(info, select, self.using)  # type: ignore[call-arg]
        return made, rows.model, names, own, related

    def __call__(self, *keys: int | str) -> list[Row]:
        """The objects, in the order of the queryset."""
        if self.made is None:
            self.made = self._make()
        made, model, names, own, related = self.made
        told = made.compiler.annotation_col_map.items()
        objects = []
        for values in made.read(keys, self.using):
            one = model.from_db(self.using, names, values[own])
            for brought in related:
                brought.populate(values, one)
            for name, place in told:
                setattr(one, name, values[place])
            objects.append(one)
        return objects


@lru_cache(maxsize=256)
def _update(model: type[Model], names: tuple[str, ...], using: str) -> tuple[str, list[Any]] | None:
    """The SQL that writes these fields of a row, and the fields; None where Django has to."""
    meta = model._meta
    fields: list[Any] = [meta.get_field(name) for name in names]
    own = all(one.concrete and one.model is model for one in fields)
    if not own or any(hasattr(one, "get_placeholder") for one in fields):
        return None
    key: Any = meta.pk
    quoted = connections[using].ops.quote_name
    put = ", ".join(f"{quoted(one.column)} = %s" for one in fields)
    where = f"{quoted(key.column)} = %s"
    return f"UPDATE {quoted(meta.db_table)} SET {put} WHERE {where}", fields


def write_fields(row: Model, values: Mapping[str, Any], using: str = "default") -> None:
    """Write fields of a row by their name, as an update of Django's writes them: no other field,
    no signal. `row` itself stays as it is."""
    model = type(row)
    made = _update(model, tuple(values), using)
    if made is None or any(hasattr(value, "resolve_expression") for value in values.values()):
        model._default_manager.using(using).filter(pk=row.pk).update(**values)
        return
    sql, fields = made
    connection = connections[using]
    params = []
    for one, value in zip(fields, values.values(), strict=True):
        kept = value.prepare_database_save(one) if isinstance(value, Model) else value
        params.append(one.get_db_prep_save(kept, connection))
    with transaction.mark_for_rollback_on_error(using), connection.cursor() as cursor:
        cursor.execute(sql, [*params, row.pk])
