"""A bay is given once: the database refuses a second job in it, and a second slot over the first.

Where a shop's book holds two jobs in one bay already, neither is dropped and nothing stops: the
one less far along is set apart in a bay out of use that is called after the first, "Bay 1, car 2".
The board shows it there until somebody gives it a free bay. Times, stage and promise stay.
"""

from itertools import count

from django.db import migrations, models

from jobs import bay_guard

FURTHEST_FIRST = ("in_bay", "ready_for_review", "checked_in", "on_hold", "booked")


def _clash(one, other):
    both_inside = one.stage == other.stage == "in_bay"
    return both_inside or (one.starts_at < other.ends_at and other.starts_at < one.ends_at)


def _bay_beside(Bay, bay, place):
    name = f"{bay.name[:28]}, car {place}"
    names = [name, *(f"{name} ({extra})" for extra in range(2, 100))]
    taken = set(Bay.objects.filter(name__in=names).values_list("name", flat=True))
    return Bay.objects.create(
        name=next(name for name in names if name not in taken),
        note=f"Not a work place: {bay.name[:40]} was given twice. Give the job a free bay.",
        order=bay.order,
        active=False,
    )


def set_apart(apps, schema_editor):
    Job, JobEvent = apps.get_model("jobs", "Job"), apps.get_model("jobs", "JobEvent")
    Bay = apps.get_model("shop", "Bay")
    jobs = Job.objects.filter(stage__in=FURTHEST_FIRST).select_related("bay")
    kept, beside = {}, {}
    for job in sorted(jobs, key=lambda job: (FURTHEST_FIRST.index(job.stage), job.number)):
        bay = job.bay
        for place in count(1):
            there = kept.setdefault((bay.pk, place), [])
            in_the_way = next((other for other in there if _clash(job, other)), None)
            if in_the_way is None:
                there.append(job)
                break
        if place == 1:
            continue
        if (bay.pk, place) not in beside:
            beside[bay.pk, place] = _bay_beside(Bay, bay, place)
        apart = beside[bay.pk, place]
        Job.objects.filter(pk=job.pk).update(bay=apart, version=job.version + 1)
        JobEvent.objects.create(
            job=job,
            actor_id=job.booked_by_id,
            code="job.set_apart",
            before={"bay": bay.name},
            after={"bay": apart.name},
        )
        print(f"\n  J{job.number} shared {bay.name} with another job: it now stands in "
              f"“{apart.name}”. Give it a free bay or another time.")
    if schema_editor.connection.vendor == "postgresql":
        # The changed rows' foreign keys are checked now: a table with checks to come cannot change.
        schema_editor.execute("SET CONSTRAINTS ALL IMMEDIATE")


def install(apps, schema_editor):
    bay_guard.install(schema_editor.connection)


def remove(apps, schema_editor):
    bay_guard.remove(schema_editor.connection)


class Migration(migrations.Migration):
    dependencies = [("jobs", "0008_run_stranding"), ("shop", "0005_catalogue_upload_and_cost")]
    operations = [
        migrations.RunPython(set_apart, migrations.RunPython.noop, elidable=True),
        migrations.AddConstraint(
            model_name="job",
            constraint=models.UniqueConstraint(
                condition=models.Q(stage="in_bay"),
                fields=("bay",),
                name="job_one_in_a_bay",
                violation_error_message="Another job is in this bay.",
            ),
        ),
        migrations.RunPython(install, remove, elidable=False),
    ]
