"""Names that are nearly what was typed: by the groups of three letters that two words share.

The measure is that of PostgreSQL's pg_trgm (its manual, appendix F.33, "similarity"): a word has
two blanks set before it and one behind; shared groups are counted over all there are. The database
picks who comes into question, on PostgreSQL through the extension's index and on SQLite through
`shop.name_index`; the ranking is done here, so that both databases answer alike. PostgreSQL without
the extension reads every name.
"""

from collections.abc import Callable, Iterable, Sequence
from functools import cache
from heapq import nlargest
from math import ceil
from typing import Any, Final

from django.db import connection, transaction

from shop import name_index
from shop.models import Customer

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
    return _likeness(lambda word: [similarity(one, word) for one in typed], name) if typed else 0.0


def _likeness(near_each: Callable[[str], Sequence[float]], name: str) -> float:
    """The likeness of a name, given how near a word is to each typed one."""
    spaced = "".join(one if one.isalnum() else " " for one in name).split()
    if not spaced:
        return 0.0
    best = [max(scores) for scores in zip(*map(near_each, spaced), strict=True)]
    return sum(best) / len(best) if min(best) >= LEAST else 0.0


def _trigrams_installed() -> bool:
    if connection.vendor != "postgresql":
        return False
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1 FROM pg_extension WHERE extname = 'pg_trgm'")
        return cursor.fetchone() is not None


def customers_near(text: str) -> list[int]:
    """The keys of at most MOST customers in whose name something is near the text, the nearest
    first."""
    typed = words_of(text)
    if not typed:
        return []
    if connection.vendor == "sqlite":
        found = _through_the_index(typed)
    elif _trigrams_installed():
        found = _through_trigrams(typed)
    else:
        found = _through_every_name(typed)
    ranked = [(likeness(text, name), key) for key, name in found]
    return [key for score, key in sorted(ranked, reverse=True) if score][:MOST]


def _through_the_index(typed: list[str]) -> list[tuple[int, str]]:
    """Customers that have a near word for every typed one, the nearest first."""
    best: dict[int, float] = {}
    for place, word in enumerate(typed):
        scores = _holders_near(word)
        if place:
            scores = {key: best[key] + score for key, score in scores.items() if key in best}
        best = scores
    keys = nlargest(4 * MOST, best, key=lambda key: (best[key], key))
    return list(Customer.objects.filter(pk__in=keys).values_list("pk", "name"))


def _holders_near(word: str) -> dict[int, float]:
    """Customers by how near their nearest word is."""
    own = groups(word)
    least = ceil(LEAST * len(own) - 1e-9)  # Of two words this near, both have as many in common.
    scored = [
        (similarity(word, other), key)
        for key, other in name_index.words_near(own | name_index.groups_kept(word), least)
    ]
    words = sorted((one for one in scored if one[0] >= LEAST), reverse=True)
    scores: dict[int, float] = {}
    for place, customer in name_index.holders_of([key for _, key in words]):
        scores.setdefault(customer, words[place][0])
    return scores


NAME: Final = 'UPPER("shop_customer"."name"::text)'


def _through_trigrams(typed: list[str]) -> list[tuple[int, str]]:
    words = [word.upper() for word in typed]
    where = " AND ".join([f"{NAME} %%> %s"] * len(words))
    score = " + ".join([f"word_similarity(%s, {NAME})"] * len(words))
    with transaction.atomic(), connection.cursor() as cursor:
        # Half of the shorter word's groups: the ranking in `customers_near` is the stricter.
        cursor.execute("SELECT set_config('pg_trgm.word_similarity_threshold', '0.4', true)")
        cursor.execute(
            f"SELECT id, name FROM shop_customer WHERE {where}"
            f" ORDER BY {score} DESC, id DESC LIMIT %s",
            [*words, *words, 4 * MOST],
        )
        return list(cursor.fetchall())


def _through_every_name(typed: list[str]) -> list[tuple[int, str]]:
    """Customers that share enough groups with every word, most shared first: one scan."""
    counted, values, enough = [], [], []
    for word in typed:
        # A name is looked at as it stands, so of the two blanks before a word there is one.
        own = sorted(group for group in groups(word) if not group.startswith("  "))
        hit = f"CASE WHEN strpos(' ' || {NAME} || ' ', %s) > 0 THEN 1 ELSE 0 END"
        counted.append(" + ".join([hit] * len(own)))
        values += own
        enough.append(max(len(own) * 2 // 5, 1))
    score = " + ".join(f"({one})" for one in counted)
    where = " AND ".join(f"({one}) >= {least}" for one, least in zip(counted, enough, strict=True))
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT id, name FROM shop_customer WHERE {where}"
            f" ORDER BY {score} DESC, id DESC LIMIT %s",
            [*values, *values, 4 * MOST],
        )
        return list(cursor.fetchall())


def nearest(text: str, named: Iterable[tuple[Any, str]]) -> list[Any]:
    """Of a few rows, each a key and a name, the keys of those near the text, the nearest first."""
    typed = words_of(text)

    @cache
    def near_each(word: str) -> tuple[float, ...]:
        return tuple(similarity(one, word) for one in typed)

    ranked = [(_likeness(near_each, name), key) for key, name in named] if typed else []
    return [key for score, key in sorted(ranked, reverse=True) if score]
