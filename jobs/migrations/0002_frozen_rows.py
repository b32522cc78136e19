"""Once made the triggers that refuse changes; `migrate` makes them all now (see jobs.frozen)."""

from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("jobs", "0001_initial")]
    operations = []
