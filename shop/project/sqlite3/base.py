"""Django's own SQLite, with each statement's marks turned into SQLite's once.

Django writes `%s` where a value goes and SQLite reads `?`; its cursor turns one into the other
anew for each statement that it runs, a twentieth of a save.
"""

from collections.abc import Iterable
from functools import lru_cache
from typing import Any, Final

from django.db.backends.sqlite3 import base

MOST_STATEMENTS: Final = 512


@lru_cache(maxsize=MOST_STATEMENTS)
def _marked(query: str) -> str:
    return str(base.FORMAT_QMARK_REGEX.sub("?", query).replace("%%", "%"))


class CursorWrapper(base.SQLiteCursorWrapper):
    """Django's cursor; the text of a statement with places alone is kept."""

    def convert_query(self, query: str, *, param_names: Iterable[str] | None = None) -> str:
        if param_names is None and type(query) is str:
            return _marked(query)
        return super().convert_query(query, param_names=param_names)


class DatabaseWrapper(base.DatabaseWrapper):
    """Django's connection, with that cursor."""

    def create_cursor(self, name: str | None = None) -> Any:
        return self.connection.cursor(factory=CursorWrapper)
