import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("shop", "0035_log_by_day"),
    ]

    operations = [
        migrations.CreateModel(
            name="Branch",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("name", models.CharField(blank=True, max_length=80)),
                (
                    "letters",
                    models.CharField(
                        help_text="One or two letters, such as N: its jobs are N1001, N1002 and so on.",
                        max_length=2,
                        unique=True,
                        verbose_name="letters before its job numbers",
                    ),
                ),
                ("address", models.TextField(blank=True)),
                ("phone", models.CharField(blank=True, max_length=40)),
                ("order", models.PositiveSmallIntegerField(default=0)),
                ("active", models.BooleanField(default=True)),
                ("next_job_number", models.PositiveIntegerField(default=1001, editable=False)),
            ],
            options={
                "verbose_name": "branch",
                "verbose_name_plural": "branches",
                "ordering": ["order", "pk"],
            },
        ),
        migrations.AddField(
            model_name="staffmember",
            name="branches",
            field=models.ManyToManyField(
                blank=True, editable=False, related_name="people", to="shop.branch"
            ),
        ),
        migrations.AddField(
            model_name="staffmember",
            name="whole_business",
            field=models.BooleanField(
                default=False, editable=False, verbose_name="works in every branch"
            ),
        ),
        migrations.AddField(
            model_name="bay",
            name="branch",
            field=models.ForeignKey(
                editable=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="bays",
                to="shop.branch",
            ),
        ),
        migrations.AddField(
            model_name="openhours",
            name="branch",
            field=models.ForeignKey(
                editable=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="shop.branch",
            ),
        ),
        migrations.AddField(
            model_name="closeddays",
            name="branch",
            field=models.ForeignKey(
                editable=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="shop.branch",
            ),
        ),
    ]
