"""Names that are nearly what was typed: by the groups of three letters that two words share.

The measure is that of PostgreSQL's pg_trgm (its manual, appendix F.33, "similarity"): a word has
two blanks set before it and one behind; shared groups are counted over all there are. The database
picks who comes into question, on PostgreSQL through an index; the ranking is done here, so that
both databases answer alike.
"""

from collections.abc import Iterable
from typing import Final

from django.db import connection, models, transaction

LEAST: Final = 0.3
"""From here two words are near: the least that PostgreSQL takes for similar. Letters swapped or
left out in a word of six or more stay above it."""

SHORTEST: Final = 4
"""A shorter word is near too many others."""

MOST: Final = 60


def groups(word: str) -> frozenset[str]:
    """The groups of three letters of one word, in upper case."""
    padded = f"  {word.upper()} "
    return frozenset(padded[at : at + 3] for at in range(len(padded) - 2))


def similarity(one: str, other: str) -> float:
    """How alike two words are, from 0 to 1."""
    mine, theirs = groups(one), groups(other)
    return len(mine & theirs) / len(mine | theirs)


def words_of(text: str) -> list[str]:
    """The words that can be near others: letters, and long enough."""
    spaced = "".join(one if one.isalnum() else " " for one in text)
    return [word for word in spaced.split() if len(word) >= SHORTEST and word.isalpha()]


def likeness(text: str, name: str) -> float:
    """How near a name is to what was typed: of its typed words the mean of the nearest, 0 when
    one of them is near none."""
    typed = words_of(text)
    spaced = "".join(one if one.isalnum() else " " for one in name).split()
    if not typed or not spaced:
        return 0.0
    nearest = [max(similarity(word, one) for one in spaced) for word in typed]
    return sum(nearest) / len(nearest) if min(nearest) >= LEAST else 0.0


def _trigrams_installed() -> bool:
    if connection.vendor != "postgresql":
        return False
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1 FROM pg_extension WHERE extname = 'pg_trgm'")
        return cursor.fetchone() is not None


def near(model: type[models.Model], column: str, text: str) -> list[int]:
    """The keys of at most MOST rows in whose `column`, a name of words, something is near the
    text; the nearest first."""
    typed = words_of(text)
    if not typed:
        return []
    table = model._meta.db_table
    upper = f'UPPER("{table}"."{column}"::text)'
    if _trigrams_installed():
        with transaction.atomic(), connection.cursor() as cursor:
            # Half of the shorter word's groups: the ranking below is the stricter.
            cursor.execute("SELECT set_config('pg_trgm.word_similarity_threshold', '0.4', true)")
            where = " AND ".join([f"{upper} %%> %s"] * len(typed))
            score = " + ".join([f"word_similarity(%s, {upper})"] * len(typed))
            words = [word.upper() for word in typed]
            cursor.execute(
                f'SELECT id, "{column}" FROM "{table}" WHERE {where}'
                f" ORDER BY {score} DESC, id DESC LIMIT %s",
                [*words, *words, 4 * MOST],
            )
            found = cursor.fetchall()
    else:
        found = _shared_groups(table, column, typed)
    ranked = [(likeness(text, name), key) for key, name in found]
    return [key for score, key in sorted(ranked, reverse=True) if score][:MOST]


def _shared_groups(table: str, column: str, typed: list[str]) -> list[tuple[int, str]]:
    """Rows that share enough groups with every word, most shared first: one scan of the names."""
    name = f"' ' || UPPER(\"{column}\") || ' '"
    counted, values, enough = [], [], []
    for word in typed:
        # A name is looked at as it stands, so of the two blanks before a word there is one.
        own = sorted(group for group in groups(word) if not group.startswith("  "))
        hit = "strpos" if connection.vendor == "postgresql" else "instr"
        counted.append(
            " + ".join([f"CASE WHEN {hit}({name}, %s) > 0 THEN 1 ELSE 0 END"] * len(own))
        )
        values += own
        enough.append(max(len(own) * 2 // 5, 1))
    score = " + ".join(f"({one})" for one in counted)
    where = " AND ".join(f"({one}) >= {least}" for one, least in zip(counted, enough, strict=True))
    with connection.cursor() as cursor:
        cursor.execute(
            f'SELECT id, "{column}" FROM "{table}" WHERE {where}'
            f" ORDER BY {score} DESC, id DESC LIMIT %s",
            [*values, *values, 4 * MOST],
        )
        return list(cursor.fetchall())


def nearest(text: str, named: Iterable[tuple[int, str]]) -> list[int]:
    """Of a few rows, each a key and a name, the keys of those near the text, the nearest first."""
    ranked = [(likeness(text, name), key) for key, name in named]
    return [key for score, key in sorted(ranked, reverse=True) if score]
