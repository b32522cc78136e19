import django.db.models.deletion
from django.db import migrations, models

import shop.models.branches


class Migration(migrations.Migration):
    dependencies = [
        ("shop", "0037_the_first_branch"),
    ]

    # First no branch may be empty, then a new row has one: asked for both at once, a migration
    # would make a branch of its own to fill rows with that are not there.
    operations = [
        migrations.RemoveField(model_name="shop", name="next_job_number"),
        migrations.AlterField(
            model_name="bay",
            name="branch",
            field=models.ForeignKey(
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="bays",
                to="shop.branch",
            ),
        ),
        migrations.AlterField(
            model_name="bay",
            name="branch",
            field=models.ForeignKey(
                default=shop.models.branches.first_branch,
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="bays",
                to="shop.branch",
            ),
        ),
        migrations.AlterField(
            model_name="openhours",
            name="branch",
            field=models.ForeignKey(
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="shop.branch",
            ),
        ),
        migrations.AlterField(
            model_name="openhours",
            name="branch",
            field=models.ForeignKey(
                default=shop.models.branches.first_branch,
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="shop.branch",
            ),
        ),
        migrations.AlterField(
            model_name="closeddays",
            name="branch",
            field=models.ForeignKey(
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="shop.branch",
            ),
        ),
        migrations.AlterField(
            model_name="closeddays",
            name="branch",
            field=models.ForeignKey(
                default=shop.models.branches.first_branch,
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="shop.branch",
            ),
        ),
        migrations.AlterField(
            model_name="bay",
            name="name",
            field=models.CharField(max_length=40),
        ),
        migrations.AlterField(
            model_name="openhours",
            name="weekday",
            field=models.PositiveSmallIntegerField(
                choices=[
                    (0, "Monday"),
                    (1, "Tuesday"),
                    (2, "Wednesday"),
                    (3, "Thursday"),
                    (4, "Friday"),
                    (5, "Saturday"),
                    (6, "Sunday"),
                ]
            ),
        ),
        migrations.AddConstraint(
            model_name="bay",
            constraint=models.UniqueConstraint(
                fields=("branch", "name"), name="bay_name_once_a_branch"
            ),
        ),
        migrations.AddConstraint(
            model_name="openhours",
            constraint=models.UniqueConstraint(
                fields=("branch", "weekday"), name="open_hours_once_a_day"
            ),
        ),
    ]
