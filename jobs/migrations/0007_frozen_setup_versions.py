"""What a setup holds stands in its versions alone, and those refuse changes."""

from django.db import migrations

from jobs import frozen


def install(apps, schema_editor):
    frozen.install(schema_editor.connection, frozen.SETUP_TABLES)


def remove(apps, schema_editor):
    frozen.remove(schema_editor.connection, frozen.SETUP_TABLES)


class Migration(migrations.Migration):
    dependencies = [("jobs", "0006_setup_versions")]
    operations = [
        migrations.RemoveField(model_name="savedsetup", name="document"),
        migrations.RunPython(install, remove, elidable=False),
    ]
