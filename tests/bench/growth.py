"""How a shop's answers grow: the same questions with 10,000 past jobs and with BENCH_JOBS, in whose
logs stand BENCH_EVENTS events.

Both are asked in one run of one database, each beside its own floor, so that the factor between
the two is of the rows alone. Then each query is explained: how much of a growing table it looks at.
"""

import os
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from functools import partial
from typing import Any, Final
from urllib.parse import quote, urlencode

from django.db import connection, models, transaction
from django.urls import reverse
from django.utils import timezone

from jobs.models import (
    Channel,
    InstallSheet,
    Job,
    JobEvent,
    JobPart,
    RecordChain,
    SheetReceipt,
)
from jobs.sheet.verify import in_the_book
from shop.models import Customer, ShopEvent, StaffMember, Vehicle
from tests.bench import ground
from tests.bench.caller import Answer, Caller, side_by_side
from tests.bench.figures import Bench, ok

SMALL: Final = 10_000
LARGE: Final = ground.PAST_JOBS
EVENTS: Final = int(os.environ.get("BENCH_EVENTS", str(20 * LARGE)))
EVENTS_A_JOB: Final = max(1, EVENTS // LARGE)
CHANNELS_A_JOB: Final = 6
PARTS_A_JOB: Final = 2
DAYS: Final = 2_000
"""Over how many days the events are spread."""
STEP: Final = 20_000
"""Jobs whose rows are laid in one transaction."""
COUNT: Final = 60
LONG: Final = 11_000
"""Rows of one table that a query may look at: the pages of a list are counted to 10,000."""

GROWING: Final = (
    Job, JobEvent, JobPart, Channel, InstallSheet, SheetReceipt, RecordChain, ShopEvent, Customer,
    Vehicle,
)  # fmt: skip
TABLES: Final = frozenset(model._meta.db_table for model in GROWING)

LINE: Final = "  {:34} {:>9} {:>12} {:>8}   {}"


# The rows ---------------------------------------------------------------------------------------


def rows(first: int, last: int) -> None:
    """Events, parts, channels, a sheet with its receipt and the head of its log for each past job
    whose number lies between two."""
    jobs = Job.objects.filter(number__gte=first, number__lte=last)
    begin, end = jobs.earliest("pk").pk, jobs.latest("pk").pk
    laid = _laid()
    with _unguarded([model._meta.db_table for model, *_ in laid]):
        for start in range(begin, end + 1, STEP):
            with transaction.atomic(), connection.cursor() as cursor:
                for model, times, other in laid:
                    _copy(cursor, model, times, other, start, min(end, start + STEP - 1))


def _laid() -> list[tuple[type[models.Model], int, dict[str, str]]]:
    """Each table with its rows a job, and the columns that differ; the others are as in one row of
    the demo shop."""
    postgres = connection.vendor == "postgresql"
    digest = "lpad(CAST(job.id AS text), 64, '0')" if postgres else "printf('%064d', job.id)"
    now = timezone.now()
    far = (now - timedelta(days=DAYS)).isoformat()
    at = (
        f"timestamptz '{far}' + make_interval(days => CAST(job.id % {DAYS} AS integer))"
        if postgres
        else f"datetime('{far[:19]}', (job.id % {DAYS}) || ' days')"
    )
    nothing = "'{}'::jsonb" if postgres else "'{}'"
    empty = "'\\x'::bytea" if postgres else "x''"
    key = "'bench_' || job.id || '_' || s.n"
    return [
        (JobEvent, EVENTS_A_JOB, {"job_id": "job.id", "at": at, "key": key, "number": "s.n"}),
        (JobPart, PARTS_A_JOB, {"job_id": "job.id", "label": "'P' || s.n", "serial": key}),
        (
            Channel,
            CHANNELS_A_JOB,
            {"job_id": "job.id", "part_id": "part.id", "number": "s.n"},
        ),
        (
            InstallSheet,
            1,
            {
                "job_id": "job.id",
                "document": nothing,
                "pdf": empty,
                "pdf_sha256": digest,
                "document_sha256": digest,
            },
        ),
        (SheetReceipt, 1, {"sheet_id": "sheet.id", "pdf": empty, "pdf_sha256": digest}),
        (RecordChain, 1, {"job_id": "job.id"}),
        (
            ShopEvent,
            1,
            {"at": at, "subject": "'customer:' || job.customer_id", "number": "NULL"},
        ),
    ]


_BESIDE: Final[dict[type[models.Model], str]] = {
    SheetReceipt: " JOIN jobs_installsheet AS sheet ON sheet.job_id = job.id",
    Channel: " JOIN jobs_jobpart AS part ON part.job_id = job.id AND part.label = 'P1'",
}


def _copy(
    cursor: Any, model: type[Any], times: int, other: dict[str, str], first: int, last: int
) -> None:
    """Copy the newest row of the demo shop `times` for each job between two keys."""
    table = model._meta.db_table
    columns = [one.column for one in model._meta.concrete_fields if one.column != "id"]
    taken = ", ".join(other.get(column, f'one."{column}"') for column in columns)
    named = ", ".join(f'"{column}"' for column in columns)
    cursor.execute(
        f"INSERT INTO {table} ({named})"
        f" WITH RECURSIVE s(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM s WHERE n < {times})"
        f" SELECT {taken} FROM jobs_job AS job{_BESIDE.get(model, '')} CROSS JOIN s"
        f" JOIN {table} AS one ON one.{model._meta.pk.column} = {_pattern(model)}"
        f" WHERE job.id >= {first} AND job.id <= {last}"
    )


def _pattern(model: type[Any]) -> int:
    """The first row of the demo shop that has what such rows have."""
    wanted = {JobEvent: {"code": "channel.changed"}}.get(model, {})
    return int(model._default_manager.filter(**wanted).order_by("pk")[0].pk)


@contextmanager
def _unguarded(tables: Iterable[str]) -> Iterator[None]:
    """Without the triggers that keep rows of signed jobs as they are; they are back after it."""
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SET session_replication_role = replica")
            yield
            cursor.execute("SET session_replication_role = origin")
            return
        marks = ", ".join(f"'{table}'" for table in tables)
        cursor.execute(
            f"SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND tbl_name IN ({marks})"
        )
        triggers = cursor.fetchall()
        for name, _ in triggers:
            cursor.execute(f'DROP TRIGGER "{name}"')
        yield
        for _, sql in triggers:
            cursor.execute(sql)


# The questions ----------------------------------------------------------------------------------


def questions(bench: Bench) -> dict[str, Callable[[], object]]:
    """What is asked at both sizes, by name."""
    known = Customer.objects.filter(vehicles__plate="BN 000777").get()
    past = Job.objects.get(number=ground.FIRST_NUMBER + 777)
    odile = Caller(StaffMember.objects.get(username="odile"))
    cell, setting = bench.cell(), bench.setting()
    day = (timezone.localdate() - timedelta(days=DAYS // 2)).isoformat()
    newest = bench.job.events.all()[0].pk
    asked = urlencode({"since": newest, "device": "d", "section": "channels"})
    file = "0" * 57 + f"{past.pk:07}"

    def get(url: str, caller: Caller = bench.caller, status: int = 200) -> Callable[[], Answer]:
        return lambda: ok(caller.get(url), status)

    log = reverse("shop_log")
    return {
        "board, 60 live": get(reverse("board")),
        "find a plate": get(f"{reverse('find')}?q={quote('BN 000777')}"),
        "find a name": get(f"{reverse('find')}?q={quote(known.name)}"),
        "find a serial number": get(f"{reverse('find')}?q=bench_{past.pk}_1"),
        "a job's page with all its history": get(
            reverse("job", args=[past.number]) + "?history=all"
        ),
        "asking for changes": get(
            reverse("bay_changes", args=[bench.job.number]) + f"?{asked}", status=204
        ),
        "the shop's log of a day": get(f"{log}?from={day}&to={day}", odile),
        "the shop's log of a customer": get(f"{log}?record=customer:{known.pk}", odile),
        "the shop's log, newest": get(log, odile),
        "a sheet by its file": partial(in_the_book, file),
        "a file that is no sheet": partial(in_the_book, "f" * 64),
        "save a channel cell": cell,
        "save a level": setting,
    }


def measured(bench: Bench) -> dict[str, tuple[float, float]]:
    """95th percentiles of each question, and of the floor beside it [s]."""
    found = {}
    for what, ask in questions(bench).items():
        found[what] = side_by_side(ask, bench.floor, COUNT)
    return found


def report(bench: Bench) -> None:
    """Ask, let the shop grow, ask again; then explain."""
    rows(ground.FIRST_NUMBER, ground.FIRST_NUMBER + SMALL - 1)
    ground.analyze()
    few = measured(bench)
    began = time.perf_counter()
    ground.grow(SMALL, LARGE)
    rows(ground.FIRST_NUMBER + SMALL, ground.FIRST_NUMBER + LARGE - 1)
    ground.analyze()
    events = JobEvent.objects.count()
    print(f"\n{connection.vendor}: {Job.objects.count():,} jobs, {events:,} events of jobs,")
    print(f"  {ShopEvent.objects.count():,} of the shop, {Channel.objects.count():,} channels;")
    print(f"  grown in {time.perf_counter() - began:.0f} s. Times over the floor, p95")
    many = measured(bench)
    print(LINE.format("what", f"{SMALL:,}", f"{LARGE:,}", "growth", "most rows of a growing table"))
    for what, ask in questions(bench).items():
        at_few, at_many = (one[0] / one[1] for one in (few[what], many[what]))
        growth = f"{at_many / at_few:.2f}"
        print(LINE.format(what, f"{at_few:.2f}", f"{at_many:.2f}", growth, _told(ask)), flush=True)


# What a query reads -----------------------------------------------------------------------------


def _told(ask: Callable[[], object]) -> str:
    """The table of which one query of a question looks at most rows; a long one with its SQL."""
    read = _read(ask)
    if connection.vendor == "sqlite":
        return "; ".join(dict.fromkeys(one for _, one, _ in read)) or "none is read whole"
    if not read:
        return "none"
    count, table, sql = max(read)
    return f"{count:,} of {table}" + (f"  TOO MANY: {sql[:2000]}" if count > LONG else "")


def _read(ask: Callable[[], object]) -> list[tuple[int, str, str]]:
    """Rows looked at, of which growing table, by which query."""
    asked: list[tuple[str, Any]] = []

    def keep(execute: Any, sql: str, params: Any, many: bool, context: Any) -> Any:
        if sql.startswith(("SELECT", "UPDATE", "DELETE", "INSERT", "EXECUTE")):
            asked.append((sql, params))
        return execute(sql, params, many, context)

    with connection.execute_wrapper(keep):
        ask()
    explain = _of_postgres if connection.vendor == "postgresql" else _of_sqlite
    found = []
    with connection.cursor() as cursor:
        for sql, params in asked:
            found += [(count, table, sql) for count, table in explain(cursor, sql, params)]
    return found


def _of_postgres(cursor: Any, sql: str, params: Any) -> Iterator[tuple[int, str]]:
    """Of reads that are asked together (shop/prepared.py) each by itself."""
    for one in sql.split("; ") if sql.startswith("EXECUTE") else (sql,):
        if not one.startswith("INSERT"):
            yield from _looked_at(cursor, one, params)


def _looked_at(cursor: Any, sql: str, params: Any) -> Iterator[tuple[int, str]]:
    how = "ANALYZE, " * sql.startswith(("SELECT", "EXECUTE"))
    with transaction.atomic():
        cursor.execute(f"EXPLAIN ({how}FORMAT JSON) {sql}", params)
    waiting = [cursor.fetchone()[0][0]["Plan"]]
    while waiting:
        node = waiting.pop()
        waiting += node.get("Plans", ())
        if node.get("Relation Name") in TABLES:
            each = node.get("Actual Rows", node["Plan Rows"])
            each += node.get("Rows Removed by Filter", 0)
            each += node.get("Rows Removed by Index Recheck", 0)
            yield int(each * node.get("Actual Loops", 1)), node["Relation Name"]


def _of_sqlite(cursor: Any, sql: str, params: Any) -> Iterator[tuple[int, str]]:
    """SQLite names what it reads from one end to the other; a limit ends it where it has enough."""
    cursor.execute(f"EXPLAIN QUERY PLAN {sql}", params)
    for *_, detail in cursor.fetchall():
        words = detail.split()
        if words[:1] == ["SCAN"] and words[1] in TABLES and " LIMIT " not in sql:
            yield 0, detail
