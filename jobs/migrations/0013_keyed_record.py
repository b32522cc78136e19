"""Events are linked and what is signed is sealed, with a key in the data folder.

What stands already is sealed when `migrate` has ended (see jobs.apps). Backwards the links and
seals go, so the key is set aside: it would say that they were taken away.
"""

from datetime import datetime
from pathlib import Path

import django.db.models.deletion
import django.utils.timezone
from django.conf import settings
from django.db import migrations, models


def set_key_aside(apps, schema_editor):
    path = Path(settings.DATA_DIR) / "record.key"
    if path.exists():
        path.rename(path.with_name(f"{path.name}.unused-{datetime.now():%Y%m%d-%H%M%S}"))


class Migration(migrations.Migration):

    dependencies = [
        ('jobs', '0012_corrections_keep_the_stage'),
    ]

    operations = [
        migrations.RunPython(migrations.RunPython.noop, set_key_aside),
        migrations.CreateModel(
            name='RecordChain',
            fields=[
                ('job', models.OneToOneField(on_delete=django.db.models.deletion.PROTECT, primary_key=True, related_name='record_chain', serialize=False, to='jobs.job')),
                ('count', models.PositiveIntegerField()),
                ('head', models.CharField(max_length=64)),
                ('mac', models.CharField(max_length=64)),
            ],
        ),
        migrations.AddField(
            model_name='jobevent',
            name='chain',
            field=models.CharField(blank=True, editable=False, max_length=64),
        ),
        migrations.AddField(
            model_name='jobevent',
            name='number',
            field=models.PositiveIntegerField(editable=False, null=True),
        ),
        migrations.AlterField(
            model_name='jobevent',
            name='at',
            field=models.DateTimeField(default=django.utils.timezone.now, editable=False),
        ),
        migrations.CreateModel(
            name='Seal',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('kind', models.CharField(choices=[('check_in', 'Check-in'), ('sheet', 'Install sheet'), ('receipt', 'Customer’s signature'), ('adopted', 'Event log taken over')], max_length=8)),
                ('about', models.CharField(blank=True, max_length=20)),
                ('content', models.JSONField()),
                ('late', models.BooleanField(default=False)),
                ('at', models.DateTimeField()),
                ('key_id', models.CharField(max_length=16)),
                ('mac', models.CharField(max_length=64)),
                ('job', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='seals', to='jobs.job')),
            ],
            options={
                'ordering': ['pk'],
                'indexes': [models.Index(fields=['job', 'kind'], name='seal_job_kind')],
            },
        ),
    ]
