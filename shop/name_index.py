"""What SQLite looks customers up by: the words of names, phone numbers and email addresses, each
with its groups of three letters, so that a name with a slip and what is not there are answered
without reading everybody.

The tables are kept by triggers alone, so a rename, a merge, an import, an erased customer and a
change by hand all reach them, and a word that nobody has any longer is gone from them. A backup has
them with the rest. PostgreSQL has its trigram indexes instead (`shop.migrations` 0002).

Letters are raised as SQLite raises them, A to Z alone, for its LIKE takes no others for equal.
"""

import json
from collections.abc import Iterable, Iterator
from typing import Any, Final

from django.db import connection, models, transaction
from django.db.models.expressions import RawSQL

WORDS: Final = "shop_find_word"
GROUPS: Final = "shop_find_group"
HOLDERS: Final = "shop_find_holder"
FIELDS: Final = ("name", "phone_digits", "email")
NAME: Final = 0
"""The place in FIELDS of what `near` words are looked for in."""

DENSE: Final = 2_000
"""More customers than this are no narrowing: the newest of them are found sooner by reading."""

MOST_NEAR: Final = 2_000
"""Customers looked at for a typed word, those with the nearest words first."""

_TABLES: Final = (
    f"CREATE TABLE IF NOT EXISTS {WORDS} (id integer PRIMARY KEY, word text NOT NULL UNIQUE)",
    f"CREATE TABLE IF NOT EXISTS {GROUPS} (part text NOT NULL, word_id integer NOT NULL,"
    " PRIMARY KEY (part, word_id)) WITHOUT ROWID",
    f"CREATE TABLE IF NOT EXISTS {HOLDERS} (word_id integer NOT NULL, field integer NOT NULL,"
    " customer_id integer NOT NULL, PRIMARY KEY (word_id, field, customer_id DESC)) WITHOUT ROWID",
)
_BETWEEN_WORDS: Final = "\t\n\xa0-'’.,/&()+@_\"\\"
"""Where a word ends, besides blanks: what stands in names. Another mark stays in its word, which is
then found all the same; SQLite reads no deeper nest of functions than these."""

_LONGEST: Final = 254
"""Characters of the longest word: an email address without a dot."""

_PLACES: Final = json.dumps(list(range(1, _LONGEST + 2)), separators=(",", ":"))


def _groups_of(word: str) -> str:
    """SQL: the groups of one word, as `shop.likeness.groups` makes them."""
    return (
        f"SELECT DISTINCT substr('  ' || {word} || ' ', place.value, 3) AS part"
        f" FROM json_each('{_PLACES}') AS place WHERE place.value <= length({word}) + 1"
    )


def _split(value: str) -> str:
    """SQL: a JSON list of the words in a value."""
    text = f"upper({value})"
    for mark in _BETWEEN_WORDS:
        text = f"replace({text}, char({ord(mark)}), ' ')"
    return f"'[' || replace(json_quote({text}), ' ', '\",\"') || ']'"


def _words_of(row: str, field: str) -> str:
    """SQL, the end of a SELECT: the words of one field of a customer."""
    return f"FROM json_each({_split(f'{row}.{field}')}) AS said WHERE said.value <> ''"


def _taken_in() -> Iterator[str]:
    """The statements of a trigger that enter the customer NEW."""
    for place, field in enumerate(FIELDS):
        words = _words_of("NEW", field)
        yield (
            f"INSERT INTO {WORDS} (word) SELECT DISTINCT said.value {words}"
            f" AND NOT EXISTS (SELECT 1 FROM {WORDS} WHERE word = said.value);"
        )
        yield (
            f"INSERT INTO {HOLDERS} (word_id, field, customer_id)"
            f" SELECT id, {place}, NEW.id FROM {WORDS}"
            f" WHERE word IN (SELECT said.value {words});"
        )


def _taken_out() -> Iterator[str]:
    """The statements of a trigger that take the customer OLD out, and words that are nobody's."""
    for place, field in enumerate(FIELDS):
        own = f"SELECT said.value {_words_of('OLD', field)}"
        ids = f"SELECT id FROM {WORDS} WHERE word IN ({own})"
        yield (
            f"DELETE FROM {HOLDERS} WHERE word_id IN ({ids}) AND field = {place}"
            " AND customer_id = OLD.id;"
        )
    for field in FIELDS:
        own = f"SELECT said.value {_words_of('OLD', field)}"
        yield (
            f"DELETE FROM {WORDS} WHERE word IN ({own})"
            f" AND NOT EXISTS (SELECT 1 FROM {HOLDERS} WHERE word_id = {WORDS}.id);"
        )


def _triggers() -> dict[str, str]:
    """Each trigger's text by its name."""
    changed = " OR ".join(f"OLD.{field} IS NOT NEW.{field}" for field in ("id", *FIELDS))
    parts = {
        "shop_find_new": ("INSERT ON shop_customer", "", list(_taken_in())),
        "shop_find_gone": ("DELETE ON shop_customer", "", list(_taken_out())),
        "shop_find_changed": (
            "UPDATE ON shop_customer",
            f"WHEN {changed} ",
            [*_taken_out(), *_taken_in()],
        ),
        "shop_find_word_new": (
            f"INSERT ON {WORDS}",
            "",
            [
                f"INSERT INTO {GROUPS} (part, word_id)"
                f" SELECT part, NEW.id FROM ({_groups_of('NEW.word')});"
            ],
        ),
        "shop_find_word_gone": (
            f"DELETE ON {WORDS}",
            "",
            [
                f"DELETE FROM {GROUPS} WHERE word_id = OLD.id AND part IN"
                f" ({_groups_of('OLD.word')});"
            ],
        ),
    }
    return {
        name: f"CREATE TRIGGER {name} AFTER {event} {when}BEGIN {' '.join(body)} END"
        for name, (event, when, body) in parts.items()
    }


def is_current(using: Any) -> bool:
    """Whether the database has this program's tables and triggers, or needs none."""
    if using.vendor != "sqlite":
        return True
    with using.cursor() as cursor:
        cursor.execute("SELECT name, sql FROM sqlite_master WHERE name LIKE 'shop_find_%'")
        standing = dict(cursor.fetchall())
    return {WORDS, GROUPS, HOLDERS} <= standing.keys() and all(
        standing.get(name) == text for name, text in _triggers().items()
    )


def install(using: Any) -> None:
    """Make the tables anew from the customers there are, and the triggers that keep them."""
    if using.vendor != "sqlite":
        return
    with transaction.atomic(using=using.alias), using.cursor() as cursor:
        remove(using)
        for table in (HOLDERS, GROUPS, WORDS):
            cursor.execute(f"DROP TABLE IF EXISTS {table}")
        texts = _triggers()
        for statement in (*_TABLES, texts.pop("shop_find_word_new")):
            cursor.execute(statement)
        for place, field in enumerate(FIELDS):
            words = _words_of("shop_customer", field).replace("FROM ", "FROM shop_customer, ", 1)
            cursor.execute(
                f"INSERT INTO {WORDS} (word) SELECT DISTINCT said.value {words}"
                f" AND said.value NOT IN (SELECT word FROM {WORDS})"
            )
            cursor.execute(
                f"INSERT INTO {HOLDERS} (word_id, field, customer_id)"
                f" SELECT DISTINCT (SELECT id FROM {WORDS} WHERE word = said.value), {place},"
                f" shop_customer.id {words}"
            )
        for statement in texts.values():
            cursor.execute(statement)


def remove(using: Any) -> None:
    """Drop the triggers: before a migration, which rebuilds the table of customers."""
    if using.vendor == "sqlite":
        with using.cursor() as cursor:
            for name in _triggers():
                cursor.execute(f"DROP TRIGGER IF EXISTS {name}")


def _raised(text: str) -> str:
    return "".join(one.upper() if one.isascii() else one for one in text)


def groups_kept(word: str) -> frozenset[str]:
    """The groups of a word as the tables keep it: its letters beyond A to Z as they are written."""
    padded = f"  {_raised(word)} "
    return frozenset(padded[at : at + 3] for at in range(len(padded) - 2))


def pieces(text: str) -> list[str]:
    """What is written between blanks and marks, where it is long enough to have a group."""
    spaced = "".join(one if one.isalnum() else " " for one in text)
    return [_raised(piece) for piece in spaced.split() if len(piece) >= 3]


def holding(text: str, field: str) -> frozenset[int] | None:
    """The keys of customers in whose `field` every piece of the text may be written: all that have
    it, and perhaps some more. None where this narrows nothing, and on other databases."""
    if connection.vendor != "sqlite":
        return None
    found: frozenset[int] | None = None
    for piece in pieces(text):
        inner = sorted({piece[at : at + 3] for at in range(len(piece) - 2)})
        with connection.cursor() as cursor:
            # The words under the rarest of its groups, and of those the ones that hold the piece.
            cursor.execute(
                f"SELECT holder.customer_id FROM {GROUPS} AS one"
                f" CROSS JOIN {WORDS} AS word ON word.id = one.word_id"
                f" CROSS JOIN {HOLDERS} AS holder"
                " ON holder.word_id = word.id AND holder.field = %s"
                " WHERE one.part = (SELECT value FROM json_each(%s) ORDER BY (SELECT COUNT(*) FROM"
                f" (SELECT 1 FROM {GROUPS} WHERE part = value LIMIT %s)) LIMIT 1)"
                " AND instr(word.word, %s) > 0 LIMIT %s",
                [FIELDS.index(field), json.dumps(inner), DENSE, piece, DENSE + 1],
            )
            keys = frozenset(key for (key,) in cursor.fetchall())
        if len(keys) <= DENSE:
            found = keys if found is None else found & keys
    return found


def words_near(shared: Iterable[str], least: int) -> list[tuple[int, str]]:
    """Words of the book, each with its key, that have at least so many of these groups."""
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT word.id, word.word FROM json_each(%s) AS own"
            f" CROSS JOIN {GROUPS} AS one ON one.part = own.value"
            f" JOIN {WORDS} AS word ON word.id = one.word_id"
            " GROUP BY one.word_id HAVING COUNT(*) >= %s",
            [json.dumps(sorted(shared)), least],
        )
        return list(cursor.fetchall())


def holders_of(words: list[int]) -> list[tuple[int, int]]:
    """Customers with one of these words in their name: the place of the word in the list and the
    customer's key, in the order of the list, at most MOST_NEAR."""
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT word.key, holder.customer_id FROM json_each(%s) AS word"
            f" CROSS JOIN {HOLDERS} AS holder"
            " ON holder.word_id = word.value AND holder.field = %s LIMIT %s",
            [json.dumps(words), NAME, MOST_NEAR],
        )
        return list(cursor.fetchall())


def one_of(keys: Iterable[int]) -> models.Q:
    """The rows with these keys, in one value however many they are."""
    return models.Q(pk__in=RawSQL("SELECT value FROM json_each(%s)", [json.dumps(sorted(keys))]))
