"""Reads whose SQL is made once: the saves of the bay sheet repeat the same dozen all day.

Making the SQL of a queryset takes several times as long as running it on one job. A prepared read
keeps the SQL and its converters, and puts only the job's key in.
"""

from collections import namedtuple
from collections.abc import Callable
from typing import Any, Final

from django.db import connections
from django.db.models import QuerySet

_JOB: Final = 7_046_029_254_386_353_087
"""Stands for the job's key while the SQL is made; no table has that many rows."""


class Prepared:
    """A read of values by job key. `build` makes the queryset of a key, `names` its columns.

    Rows come as named tuples; a column through a relation has one underscore in its name
    (`part__label` is `part_label`). `extra` is read into more names that must come back equal.
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
        self.made: tuple[str, tuple[Any, ...], Any, Any] | None = None

    def _make(self) -> tuple[str, tuple[Any, ...], Any, Any]:
        compiler = self.build(_JOB).values_list(*self.names).query.get_compiler(self.using)
        sql, params = compiler.as_sql()
        converters = compiler.get_converters([column[0] for column in compiler.select])
        return sql, tuple(params), compiler, converters

    def __call__(self, job_pk: int) -> list[Any]:
        """The rows of a job, in the order of the queryset."""
        if self.made is None:
            self.made = self._make()
        sql, params, compiler, converters = self.made
        with connections[self.using].cursor() as cursor:
            cursor.execute(sql, [job_pk if value == _JOB else value for value in params])
            rows: Any = cursor.fetchall()
        if converters:
            rows = compiler.apply_converters(rows, converters)
        return [self.row(*values) for values in rows]
