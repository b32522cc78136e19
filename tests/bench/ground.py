"""A database of the bench's own: the demo shop, 60 live jobs and 100,000 past ones.

BENCH_JOBS in the environment asks for another count of past jobs, 1000000 for a large shop's.
"""

import os
import random
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from datetime import timedelta

from django.db import connection
from django.utils import timezone

from deploy.demo.loader import Loader
from jobs.lifecycle import LIVE, Stage
from jobs.models import Job, SavedSetup, SetupState
from jobs.services.moves import move
from shop.models import Bay, Branch, Customer, StaffMember, Vehicle, VehicleModel

PAST_JOBS = int(os.environ.get("BENCH_JOBS", "100000"))
SETUPS = 100_000
MODELS = 4_000
YEARS_OF_A_MODEL = 10
"""Vehicle models of one make and model: the near matches that are looked through."""
LIVE_JOBS = 60
SYLLABLES = ("ka", "lo", "mi", "ren", "tov", "bel", "dar", "fen", "gor", "hal", "jas", "kel", "lum")
BATCH = 5_000
FIRST_NUMBER = 10_000


@contextmanager
def database() -> Iterator[None]:
    """A database made for this run and gone after it."""
    old = connection.settings_dict["NAME"]
    connection.creation.create_test_db(verbosity=0, autoclobber=True, serialize=False)
    try:
        yield
    finally:
        connection.creation.destroy_test_db(old, verbosity=0)


def lay(only: Collection[str] = (), past: int = PAST_JOBS) -> Job:
    """Fill the database with what the named figures need, all of them where none is named, and
    with `past` jobs; returns the six-channel job, its bay sheet open."""
    Loader(lambda text: None).load()
    _crowd(0, customers_of(past))
    _past(past)
    _live()
    if not only or "setups" in only:
        _setups()
    analyze()
    full = Job.objects.get(vehicle__plate="HRN 4217", stage=Stage.READY_FOR_REVIEW)
    return move(full.pk, "recall", StaffMember.objects.get(username="idris"))


def grow(before: int, after: int) -> None:
    """From some past jobs to more of them, with the customers and cars that go with them."""
    _crowd(customers_of(before), customers_of(after))
    _copy(before, after)


def customers_of(past: int) -> int:
    """How many customers a shop with some past jobs has, each with a car."""
    return max(4_000, past // 5)


def analyze() -> None:
    """Let PostgreSQL count what it has, as it does by itself in the course of a day."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("VACUUM ANALYZE")


def _crowd(known: int, wanted: int) -> None:
    model = VehicleModel.objects.all()[0]
    first = Customer.objects.order_by("pk").last()
    chance = random.Random(1 + known)

    def word() -> str:
        return "".join(chance.choices(SYLLABLES, k=3)).title()

    Customer.objects.bulk_create(
        (
            Customer(name=f"{word()} {word()}", phone=f"555 {n:06}", phone_digits=f"555{n:06}")
            for n in range(known, wanted)
        ),
        batch_size=BATCH,
    )
    owners = Customer.objects.filter(pk__gt=first.pk).order_by("pk")
    Vehicle.objects.bulk_create(
        batch_size=BATCH,
        objs=(
            Vehicle(
                owner=owner,
                vehicle_model=model,
                plate=f"BN {n:06}",
                plate_plain=f"BN{n:06}",
                vin=f"1XWTA3E50R{n:07}",
                vin_reversed=f"1XWTA3E50R{n:07}"[::-1],
                year=2024,
            )
            for n, owner in enumerate(owners.iterator(), known)
        ),
    )


def _make(stages: list[str], first: int, days: int) -> None:
    now = timezone.now()
    clerk = StaffMember.objects.get(username="maud")
    bay, _ = Bay.objects.get_or_create(name="Bench", active=False)
    cars = list(Vehicle.objects.filter(plate__startswith="BN ").values_list("pk", "owner_id"))
    for start in range(0, len(stages), BATCH):
        jobs = []
        for place, stage in enumerate(stages[start : start + BATCH], start):
            vehicle, owner = cars[place % len(cars)]
            starts = now + timedelta(days=days * (1 + place % 2_000))
            jobs.append(
                Job(
                    number=first + place,
                    customer_id=owner,
                    vehicle_id=vehicle,
                    stage=stage,
                    wants="Four better speakers.",
                    bay=bay,
                    starts_at=starts,
                    ends_at=starts + timedelta(hours=4),
                    promised_at=starts + timedelta(hours=6),
                    booked_by=clerk,
                )
            )
        Job.objects.bulk_create(jobs)


def _past(count: int) -> None:
    """A batch through the models, and the rest copied from it by the database: a million jobs one
    by one would take longer than all that is measured."""
    _make([Stage.COLLECTED] * min(count, BATCH), FIRST_NUMBER, -1)
    _copy(BATCH, count)
    Branch.objects.update(next_job_number=FIRST_NUMBER + PAST_JOBS + LIVE_JOBS)


def _copy(known: int, wanted: int) -> None:
    columns = [str(field.column) for field in Job._meta.concrete_fields if field.column != "id"]
    copied = {column: f'job."{column}"' for column in columns}
    copied["number"] = "job.number + %s"
    # Another car each time, so that the cars have about as many jobs each.
    copied["vehicle_id"] = "car.id"
    copied["customer_id"] = "car.owner_id"
    with connection.cursor() as cursor:
        cursor.execute("SELECT MIN(id), MAX(id) FROM shop_vehicle WHERE plate LIKE 'BN %%'")
        first, last = cursor.fetchone()
        for start in range(known, wanted, BATCH):
            cursor.execute(
                f"INSERT INTO jobs_job ({', '.join(map(_quoted, columns))})"
                f" SELECT {', '.join(copied[column] for column in columns)} FROM jobs_job AS job"
                " JOIN shop_vehicle AS car ON car.id = %s + (job.number - %s + %s) %% %s"
                " WHERE job.number >= %s AND job.number < %s",
                [
                    start,
                    first,
                    FIRST_NUMBER,
                    start,
                    last - first + 1,
                    FIRST_NUMBER,
                    FIRST_NUMBER + min(BATCH, wanted - start),
                ],
            )


def _quoted(column: str) -> str:
    return f'"{column}"'


def _live() -> None:
    missing = LIVE_JOBS - Job.objects.filter(stage__in=LIVE).count()
    stages = sorted(set(LIVE) - {Stage.IN_BAY})  # A bay holds one car: the demo shop's are full.
    _make([stages[n % len(stages)] for n in range(missing)], FIRST_NUMBER + PAST_JOBS, 1)


def _setups() -> None:
    """Setups of many models, a tenth of them of the very model that is asked for."""
    by = StaffMember.objects.get(username="odile")
    asked = VehicleModel.objects.get(vehicles__plate="HRN 4217")
    VehicleModel.objects.bulk_create(
        VehicleModel(
            make=asked.make if n < YEARS_OF_A_MODEL else f"Make {n // 100}",
            model=asked.model if n < YEARS_OF_A_MODEL else f"Model {n // YEARS_OF_A_MODEL}",
            year_from=1980 + n % YEARS_OF_A_MODEL,
            year_to=1990 + n % YEARS_OF_A_MODEL,
            trim=f"Trim {n}",
        )
        for n in range(MODELS)
    )
    keys = list(VehicleModel.objects.order_by("pk").values_list("pk", flat=True))
    names = ["Harnbeck Weir Six", "Threlk Finch 25", "Threlk Plover 165"]
    for start in range(0, SETUPS, BATCH):
        SavedSetup.objects.bulk_create(
            SavedSetup(
                vehicle_model_id=asked.pk if n % 10 == 0 else keys[n % len(keys)],
                name=f"Setup {n}",
                state=SetupState.APPROVED if n % 3 else SetupState.DRAFT,
                times_used=n % 50,
                product_names=names,
                by=by,
            )
            for n in range(start, start + BATCH)
        )
