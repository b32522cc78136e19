"""Setups get versions, a state and a log of their own; what each held becomes its version 1."""

import hashlib
import json

import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


def first_versions(apps, schema_editor):
    """Copy each document into a version; a setup made before there were states is a draft."""
    setup_model = apps.get_model("jobs", "SavedSetup")
    version_model = apps.get_model("jobs", "SetupVersion")
    for setup in setup_model.objects.all():
        text = json.dumps(
            setup.document, sort_keys=True, separators=(",", ":"), ensure_ascii=False
        )
        version_model.objects.create(
            setup=setup,
            number=1,
            document=setup.document,
            document_sha256=hashlib.sha256(text.encode()).hexdigest(),
            from_sheet_id=setup.from_sheet_id,
            by_id=setup.by_id,
        )
        version_model.objects.filter(setup=setup).update(at=setup.at)
        products = setup.document.get("products", {}).values()
        setup.product_names = sorted(
            " ".join(f"{one.get('maker', '')} {one.get('name', '')}".split()) for one in products
        )
        setup.save(update_fields=["product_names"])


class Migration(migrations.Migration):

    dependencies = [
        ('jobs', '0005_tuning_acoustics'),
        ('shop', '0004_label_sheets'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name='SetupEvent',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('at', models.DateTimeField(auto_now_add=True)),
                ('code', models.CharField(max_length=40)),
                ('before', models.JSONField(default=dict)),
                ('after', models.JSONField(default=dict)),
            ],
            options={
                'ordering': ['-pk'],
            },
        ),
        migrations.CreateModel(
            name='SetupUse',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('version', models.PositiveSmallIntegerField()),
                ('channels', models.JSONField(default=list)),
                ('at', models.DateTimeField(auto_now_add=True)),
                ('learned_at', models.DateTimeField(blank=True, null=True)),
            ],
            options={
                'ordering': ['pk'],
            },
        ),
        migrations.CreateModel(
            name='SetupVersion',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('number', models.PositiveSmallIntegerField()),
                ('document', models.JSONField()),
                ('document_sha256', models.CharField(max_length=64)),
                ('note', models.CharField(blank=True, max_length=500)),
                ('at', models.DateTimeField(auto_now_add=True)),
            ],
            options={
                'ordering': ['setup', '-number'],
            },
        ),
        migrations.AddField(
            model_name='savedsetup',
            name='origin',
            field=models.JSONField(blank=True, default=dict, editable=False),
        ),
        migrations.AddField(
            model_name='savedsetup',
            name='product_names',
            field=models.JSONField(default=list, editable=False),
        ),
        migrations.AddField(
            model_name='savedsetup',
            name='state',
            field=models.CharField(choices=[('approved', 'Approved'), ('draft', 'Draft'), ('withdrawn', 'Withdrawn')], default='draft', max_length=10),
        ),
        migrations.AddField(
            model_name='savedsetup',
            name='state_at',
            field=models.DateTimeField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name='savedsetup',
            name='state_by',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='savedsetup',
            name='state_reason',
            field=models.CharField(blank=True, max_length=500),
        ),
        migrations.AddField(
            model_name='savedsetup',
            name='version',
            field=models.PositiveSmallIntegerField(default=1, editable=False),
        ),
        migrations.AlterField(
            model_name='savedsetup',
            name='from_sheet',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='saved_setups', to='jobs.installsheet'),
        ),
        migrations.AddIndex(
            model_name='savedsetup',
            index=models.Index(fields=['vehicle_model', 'state', '-times_used'], name='setup_offered'),
        ),
        migrations.AddConstraint(
            model_name='savedsetup',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('state', 'withdrawn'), _negated=True), models.Q(('state_reason', ''), _negated=True), _connector='OR'), name='setup_withdrawn_with_reason'),
        ),
        migrations.AddField(
            model_name='setupevent',
            name='actor',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='setupevent',
            name='setup',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='events', to='jobs.savedsetup'),
        ),
        migrations.AddField(
            model_name='setupuse',
            name='event',
            field=models.OneToOneField(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='jobs.jobevent'),
        ),
        migrations.AddField(
            model_name='setupuse',
            name='job',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='setup_uses', to='jobs.job'),
        ),
        migrations.AddField(
            model_name='setupuse',
            name='setup',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='uses', to='jobs.savedsetup'),
        ),
        migrations.AddField(
            model_name='setupversion',
            name='by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='setupversion',
            name='from_sheet',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='jobs.installsheet'),
        ),
        migrations.AddField(
            model_name='setupversion',
            name='setup',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='versions', to='jobs.savedsetup'),
        ),
        migrations.AddConstraint(
            model_name='setupversion',
            constraint=models.UniqueConstraint(fields=('setup', 'number'), name='setup_version_once'),
        ),
        migrations.RunPython(first_versions, migrations.RunPython.noop),
    ]
