import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models

import jobs.models.check_in
import jobs.models.photos


def own_keys(apps, schema_editor):
    """Marks from before had one key in common: each gets its own."""
    marks = apps.get_model('jobs', 'ConditionMark')
    for mark in marks.objects.all():
        mark.key = jobs.models.check_in.new_mark_key()
        mark.save(update_fields=['key'])


class Migration(migrations.Migration):

    dependencies = [
        ('jobs', '0003_steps_and_clocks'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.AddField(
            model_name='conditionmark',
            name='key',
            field=models.CharField(default=jobs.models.check_in.new_mark_key, editable=False, max_length=36),
        ),
        migrations.RunPython(own_keys, migrations.RunPython.noop, elidable=True),
        migrations.CreateModel(
            name='Photo',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('subject', models.CharField(max_length=60)),
                ('file', models.FileField(max_length=160, upload_to=jobs.models.photos.photo_path)),
                ('thumbnail', models.FileField(max_length=160, upload_to=jobs.models.photos.photo_path)),
                ('width', models.PositiveIntegerField(editable=False)),
                ('height', models.PositiveIntegerField(editable=False)),
                ('caption', models.CharField(blank=True, max_length=200)),
                ('annotations', models.JSONField(blank=True, default=list, verbose_name='marks drawn on it')),
                ('at', models.DateTimeField(auto_now_add=True)),
                ('taken_at', models.DateTimeField(blank=True, null=True)),
                ('key', models.CharField(editable=False, max_length=64, unique=True)),
                ('removed_at', models.DateTimeField(blank=True, editable=False, null=True)),
                ('version', models.PositiveIntegerField(default=1, editable=False)),
                ('by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('job', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='photos', to='jobs.job')),
                ('removed_by', models.ForeignKey(blank=True, editable=False, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['pk'],
                'indexes': [models.Index(fields=['job', 'subject'], name='photo_job_subject')],
            },
        ),
    ]
