import django.db.models.deletion
from django.db import migrations, models

import jobs.tenancy.constraints
import jobs.tenancy.context
import jobs.tenancy.fields
import jobs.tenancy.ids


class Migration(migrations.Migration):
    dependencies = [
        ("jobs", "0006_schedule_intake"),
    ]

    operations = [
        migrations.AddField(
            model_name="member",
            name="forgotten_at",
            field=models.DateTimeField(
                blank=True, editable=False, help_text="Name and e-mail were taken away for good.", null=True
            ),
        ),
        migrations.CreateModel(
            name="CompanyExport",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=jobs.tenancy.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("asked_at", models.DateTimeField()),
                (
                    "finished_at",
                    models.DateTimeField(
                        blank=True, help_text="Empty: a worker has yet to make it.", null=True
                    ),
                ),
                (
                    "head_number",
                    models.BigIntegerField(default=0, help_text="Number of the last event in it."),
                ),
                (
                    "manifest_digest",
                    models.CharField(blank=True, help_text="SHA-256 of manifest.json.", max_length=64),
                ),
                ("size", models.BigIntegerField(default=0, help_text="Bytes of the archive.")),
                ("row_count", models.BigIntegerField(default=0)),
                ("file_count", models.BigIntegerField(default=0)),
                (
                    "missing_count",
                    models.BigIntegerField(default=0, help_text="Files that are lost or no longer whole."),
                ),
                (
                    "stored",
                    models.CharField(blank=True, help_text="Its place in the storage.", max_length=200),
                ),
                ("expires_at", models.DateTimeField(blank=True, null=True)),
                (
                    "removed_at",
                    models.DateTimeField(blank=True, help_text="When its file was taken away.", null=True),
                ),
                (
                    "asked_by",
                    jobs.tenancy.fields.TenantForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="jobs.member",
                    ),
                ),
                (
                    "company",
                    models.ForeignKey(
                        db_index=False,
                        default=jobs.tenancy.context.current_company,
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="jobs.company",
                    ),
                ),
            ],
            options={
                "abstract": False,
                "base_manager_name": "objects",
            },
        ),
        migrations.CreateModel(
            name="CompanyImport",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=jobs.tenancy.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("at", models.DateTimeField()),
                ("manifest_digest", models.CharField(max_length=64)),
                (
                    "origin",
                    models.CharField(help_text="Address of the service it came from.", max_length=300),
                ),
                ("exported_at", models.DateTimeField()),
                ("head_number", models.BigIntegerField()),
                ("head_mac", models.BinaryField(max_length=32)),
                (
                    "links_digest",
                    models.CharField(
                        help_text="SHA-256 over the links of the origin, in order.", max_length=64
                    ),
                ),
                ("left_out", models.JSONField(default=dict)),
                (
                    "company",
                    models.ForeignKey(
                        db_index=False,
                        default=jobs.tenancy.context.current_company,
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="jobs.company",
                    ),
                ),
            ],
            options={
                "abstract": False,
                "base_manager_name": "objects",
            },
        ),
        migrations.CreateModel(
            name="ImportedLinks",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=jobs.tenancy.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("first", models.BigIntegerField()),
                ("macs", models.BinaryField()),
                (
                    "company",
                    models.ForeignKey(
                        db_index=False,
                        default=jobs.tenancy.context.current_company,
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="jobs.company",
                    ),
                ),
                (
                    "of",
                    jobs.tenancy.fields.TenantForeignKey(
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="links",
                        to="jobs.companyimport",
                    ),
                ),
            ],
            options={
                "abstract": False,
                "base_manager_name": "objects",
            },
        ),
        migrations.CreateModel(
            name="Removal",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=jobs.tenancy.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                (
                    "kind",
                    models.TextField(
                        choices=[("asked", "Asked for"), ("withdrawn", "Withdrawn"), ("begun", "Begun")]
                    ),
                ),
                ("at", models.DateTimeField(null=True)),
                ("due_at", models.DateTimeField(blank=True, null=True)),
                (
                    "company",
                    models.ForeignKey(
                        db_index=False,
                        default=jobs.tenancy.context.current_company,
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="jobs.company",
                    ),
                ),
                (
                    "export",
                    jobs.tenancy.fields.TenantForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="jobs.companyexport",
                    ),
                ),
                (
                    "member",
                    jobs.tenancy.fields.TenantForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="jobs.member",
                    ),
                ),
                (
                    "request",
                    jobs.tenancy.fields.TenantForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="steps",
                        to="jobs.removal",
                    ),
                ),
            ],
            options={
                "abstract": False,
                "base_manager_name": "objects",
            },
        ),
        migrations.CreateModel(
            name="Tombstone",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=jobs.tenancy.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("company_ref", models.UUIDField()),
                (
                    "asked_by",
                    models.UUIDField(help_text="The member who asked; the export tells who that was."),
                ),
                ("asked_at", models.DateTimeField()),
                ("removed_at", models.DateTimeField()),
                (
                    "manifest_digest",
                    models.CharField(help_text="Of the export that was handed over before.", max_length=64),
                ),
                ("head_number", models.BigIntegerField()),
                ("row_count", models.BigIntegerField()),
            ],
            options={
                "constraints": [jobs.tenancy.constraints.AppendOnly(name="tombstone_append_only")],
            },
        ),
        migrations.AddIndex(
            model_name="companyexport",
            index=models.Index(fields=["company", "expires_at"], name="export_expires"),
        ),
        migrations.AddConstraint(
            model_name="companyimport",
            constraint=jobs.tenancy.constraints.AppendOnly(name="company_import_append_only"),
        ),
        migrations.AddConstraint(
            model_name="importedlinks",
            constraint=models.UniqueConstraint(fields=("company", "of", "first"), name="imported_links_once"),
        ),
        migrations.AddConstraint(
            model_name="importedlinks",
            constraint=jobs.tenancy.constraints.AppendOnly(name="imported_links_append_only"),
        ),
        migrations.AddConstraint(
            model_name="removal",
            constraint=jobs.tenancy.constraints.AppendOnly(name="removal_append_only"),
        ),
    ]
