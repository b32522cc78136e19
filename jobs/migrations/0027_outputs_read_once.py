"""Outputs of a device, as they stand among the readings, are about that device."""

from django.db import migrations

OPEN = ("booked", "checked_in", "in_bay", "on_hold", "ready_for_review")


def name_devices(apps, schema_editor):
    """Readings of jobs that no sheet was signed for; the others stay as they were sealed."""
    readings = apps.get_model("jobs", "Reading").objects
    parts = apps.get_model("jobs", "JobPart").objects
    of_open_jobs = readings.filter(kind="output", about="", job__stage__in=OPEN)
    for reading in of_open_jobs.filter(job__sheets__isnull=True):
        for label in parts.filter(job=reading.job_id).values_list("label", flat=True):
            if reading.label == f"Output voltage of {label} at the test tone":
                readings.filter(pk=reading.pk).update(about=label)


class Migration(migrations.Migration):

    dependencies = [
        ('jobs', '0026_words_of_the_bay'),
    ]

    operations = [
        migrations.RunPython(name_devices, migrations.RunPython.noop, elidable=True),
    ]
