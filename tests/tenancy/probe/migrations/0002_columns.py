"""New columns, one of them a foreign key."""

import django.db.models.deletion
from django.db import migrations, models

import jobs.tenancy.fields


class Migration(migrations.Migration):
    dependencies = [("probe", "0001_initial")]

    operations = [
        migrations.AddField("work", "remark", models.CharField(max_length=20, null=True)),
        migrations.AddField(
            "visit",
            "tool",
            jobs.tenancy.fields.TenantForeignKey(
                "probe.tool", django.db.models.deletion.PROTECT, null=True, blank=True, related_name="+"
            ),
        ),
    ]
