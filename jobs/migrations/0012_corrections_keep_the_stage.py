"""Cars that went back to the bay for a correction of their sheet stand where they stood before.

Until now a correction took the job back to the bay, and signing it left a collected car standing
as signed off.
"""

from django.db import migrations

IN_HAND = {"checked_in": "open", "in_bay": "open", "ready_for_review": "in_review"}
"""Where a job stood during a correction, and where its correction stands now."""


def keep_the_stage(apps, schema_editor):
    Job = apps.get_model("jobs", "Job")
    Event = apps.get_model("jobs", "JobEvent")
    Sheet = apps.get_model("jobs", "InstallSheet")
    Receipt = apps.get_model("jobs", "SheetReceipt")
    signed = {}
    for job, at in Sheet.objects.order_by("signed_at").values_list("job_id", "signed_at"):
        signed[job] = at
    received = {}
    for job, at in Receipt.objects.order_by("signed_at").values_list("sheet__job_id", "signed_at"):
        received[job] = at
    wanted = Job.objects.filter(stage__in=[*IN_HAND, "on_hold", "signed_off"])
    for job in wanted.filter(sheets__isnull=False).distinct():
        stage = job.held_from if job.stage == "on_hold" else job.stage
        if stage in IN_HAND:
            opened = Event.objects.filter(job=job, code="job.correct").order_by("-pk").first()
            job.correction = IN_HAND[stage]
            job.correction_since = job.stage_since
            job.correction_reason = opened.after.get("reason", "") if opened else ""
        elif stage != "signed_off" or job.pk not in received:
            continue
        before = job.stage
        job.stage = "collected" if job.pk in received else "signed_off"
        job.stage_since = received.get(job.pk, signed[job.pk])
        job.stage_reason = job.held_from = ""
        job.version += 1
        job.save()
        last = Event.objects.filter(job=job).order_by("-pk").first()
        Event.objects.create(
            job=job,
            actor_id=last.actor_id,
            code="job.correct",
            before={"stage": before},
            after={"stage": job.stage, "reason": job.correction_reason},
        )


def back_to_the_bay(apps, schema_editor):
    Job = apps.get_model("jobs", "Job")
    for job in Job.objects.exclude(correction=""):
        job.stage = "ready_for_review" if job.correction == "in_review" else "in_bay"
        job.stage_since = job.correction_since
        job.stage_reason = job.correction_reason
        job.correction, job.correction_since, job.correction_reason = "", None, ""
        job.version += 1
        job.save()


class Migration(migrations.Migration):
    dependencies = [("jobs", "0011_corrections")]
    operations = [migrations.RunPython(keep_the_stage, back_to_the_bay)]
