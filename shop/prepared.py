"""Reads whose SQL is made once: every request asks for its shop, its session and its person, and
the saves of the bay sheet repeat the same dozen all day.

Making the SQL of a queryset takes several times as long as running it on one job. A prepared read
keeps the SQL and its converters, and puts only the keys in.
"""

from collections import namedtuple
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, Final, Generic, TypeVar

from django.db import connections
from django.db.models import Model, QuerySet
from django.db.models.query import get_related_populators
from django.db.models.sql.compiler import SQLCompiler

_JOB: Final = 2_146_029_087
"""Stands for the first key while the SQL is made, the numbers after it for the next. It fits every
whole number's column, since a lookup of what does not fit is left out of the SQL on PostgreSQL;
nothing else that a read is made with is that large."""

_TEXT: Final = "a text that stands for the key"
"""The same for the one key of a read that is text."""

Row = TypeVar("Row", bound=Model)


@dataclass(frozen=True)
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
        with connections[using].cursor() as cursor:
            cursor.execute(self.sql, self.with_keys(keys))
            rows = cursor.fetchall()
        return self.converted(rows)


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
        return self.rows(self.statement.read((job_pk,), self.using))

    def rows(self, values: Iterable[Any]) -> list[Any]:
        """What was read as rows with names."""
        return [self.row(*one) for one in values]


def together(job_pk: int, *reads: Prepared) -> list[list[Any]]:
    """The rows of several reads of a job: asked of PostgreSQL at once, since a way to the server
    and back takes as long as such a read; of SQLite, which is no way off, one after the other."""
    using = reads[0].using
    made = [one.statement for one in reads]
    if connections[using].vendor == "sqlite":
        return [one(job_pk) for one in reads]
    answers = []
    with connections[using].cursor() as cursor:
        cursor.execute(
            ";\n".join(one.sql for one in made),
            [value for one in made for value in one.with_keys((job_pk,))],
        )
        for place, one in enumerate(made):
            if place:
                cursor.nextset()
            answers.append(one.converted(cursor.fetchall()))
    return [one.rows(values) for one, values in zip(reads, answers, strict=True)]


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
