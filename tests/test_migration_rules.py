"""Every migration since the rules were written keeps them: docs/migrations.md."""

from typing import Any

import pytest
from django.db import connection, migrations, models
from django.db.migrations import operations as ops
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.state import ModelState, ProjectState

from shop.beside import AddIndexBeside
from tests.migration_rules import MARK, breaches

SINCE = {"jobs": "0045", "shop": "0039"}
"""The last migrations from before the rules."""


def test_every_migration_keeps_the_rules() -> None:
    loader = MigrationLoader(None, ignore_no_migrations=True)
    found = []
    for (app, name), migration in sorted(loader.disk_migrations.items()):
        if app in SINCE and name[:4] > SINCE[app]:
            # As the tables are before it: the state of all that it rests on.
            told = breaches(
                migration, lambda on=migration.dependencies: loader.project_state(list(on))
            )
            found += [f"{app} {name} {one} (or {MARK} = why)" for one in told]
    assert not found, "\n".join(found)


def held(*operations: Any, mark: str = "") -> list[str]:
    """What is said of these operations on a table that is in use."""
    state = ProjectState()
    fields = [
        ("id", models.BigAutoField(primary_key=True)),
        ("plate", models.CharField(max_length=20, null=True)),
        ("year", models.IntegerField(null=True)),
    ]
    state.add_model(ModelState("jobs", "Car", fields))
    migration = migrations.Migration("0099_car", "jobs")
    migration.operations = list(operations)
    setattr(migration, MARK, mark)
    return list(breaches(migration, lambda: state))


INDEX = models.Index(fields=["year"], name="car_year")
TEXT = models.CharField(max_length=40, null=True)


@pytest.mark.once
@pytest.mark.parametrize(
    ("wrong", "right"),
    [
        ([ops.RemoveField("car", "plate")], [ops.AddField("car", "owner", TEXT)]),
        (
            [ops.RenameField("car", "plate", "number")],
            [ops.AlterField("car", "plate", TEXT)],
        ),
        (
            [ops.AddField("car", "doors", models.IntegerField(default=4))],
            [ops.AddField("car", "doors", models.IntegerField(default=4, db_default=4))],
        ),
        (
            [ops.AlterField("car", "plate", models.CharField(max_length=20))],
            [ops.AlterField("car", "plate", models.CharField(max_length=20, null=True))],
        ),
        (
            [ops.AlterField("car", "year", models.TextField(null=True))],
            [ops.AlterField("car", "year", models.IntegerField("year made", null=True))],
        ),
        ([ops.AddIndex("car", INDEX)], [AddIndexBeside("car", INDEX)]),
        (
            [ops.AddField("car", "tag", models.CharField(max_length=9, null=True, unique=True))],
            [
                ops.CreateModel("Tag", [("id", models.BigAutoField(primary_key=True))]),
                ops.AddField("tag", "text", models.CharField(max_length=9, unique=True)),
            ],
        ),
        (
            [ops.RunPython(ops.RunPython.noop), ops.AddField("car", "owner", TEXT)],
            [ops.RunPython(ops.RunPython.noop)],
        ),
    ],
)
def test_what_breaks_a_rule_is_told_and_its_neighbour_is_not(
    wrong: list[Any], right: list[Any]
) -> None:
    assert len(held(*wrong)) == 1
    assert held(*wrong, mark="the table has one row") == []
    assert held(*right) == []


@pytest.mark.django_db(transaction=True)
def test_an_index_is_made_beside_the_work_and_again_after_a_cut() -> None:
    from jobs.models import Job

    before, after = ProjectState.from_apps(Job._meta.apps), ProjectState.from_apps(Job._meta.apps)
    index = models.Index(fields=["number", "stage"], name="beside_the_work")
    operation = AddIndexBeside("job", index)
    operation.state_forwards("jobs", after)

    def there() -> bool:
        with connection.cursor() as cursor:
            return index.name in connection.introspection.get_constraints(cursor, "jobs_job")

    with connection.schema_editor(atomic=False) as editor:
        operation.database_forwards("jobs", editor, before, after)
        assert there()
        if connection.vendor == "postgresql":
            operation.database_forwards("jobs", editor, before, after)
        operation.database_backwards("jobs", editor, after, before)
    assert not there()
