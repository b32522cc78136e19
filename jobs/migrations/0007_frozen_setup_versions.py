"""What a setup holds stands in its versions alone, and those refuse changes (see jobs.frozen)."""

from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("jobs", "0006_setup_versions")]
    operations = [
        migrations.RemoveField(model_name="savedsetup", name="document"),
    ]
