"""A key may make a webhook too; then no person stands beside it."""

import django.db.models.deletion
from django.db import migrations

import jobs.tenancy.fields


class Migration(migrations.Migration):
    dependencies = [("reports", "0006_webhooks")]

    operations = [
        migrations.AlterField(
            model_name="webhook",
            name="created_by",
            field=jobs.tenancy.fields.TenantForeignKey(
                blank=True,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="jobs.member",
            ),
        ),
    ]
