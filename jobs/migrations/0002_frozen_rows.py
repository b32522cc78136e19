"""Signed sheets, receipts and the event log refuse changes in the database itself."""

from django.db import migrations

from jobs import frozen


def install(apps, schema_editor):
    frozen.install(schema_editor.connection)


def remove(apps, schema_editor):
    frozen.remove(schema_editor.connection)


class Migration(migrations.Migration):
    dependencies = [("jobs", "0001_initial")]
    operations = [migrations.RunPython(install, remove, elidable=False)]
