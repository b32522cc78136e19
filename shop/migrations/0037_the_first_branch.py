from typing import Any

from django.db import migrations


def one_branch(apps: Any, schema_editor: Any) -> None:
    """What stands in the book is of one branch, named after the shop, which goes on counting its
    jobs where the shop is. A new database has no shop yet, and needs none."""
    shop = apps.get_model("shop", "Shop").objects.first()
    if shop is None:
        return
    branch = apps.get_model("shop", "Branch").objects.create(
        name=shop.name[:80], letters="J", next_job_number=shop.next_job_number
    )
    for name in ("Bay", "OpenHours", "ClosedDays"):
        apps.get_model("shop", name).objects.update(branch=branch)
    branch.people.set(apps.get_model("shop", "StaffMember").objects.all())


class Migration(migrations.Migration):
    dependencies = [
        ("shop", "0036_branches"),
    ]

    operations = [migrations.RunPython(one_branch, migrations.RunPython.noop)]
