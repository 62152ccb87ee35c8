"""Assignments get the moments they hold; the database refuses overlaps and ways that are too short."""

import datetime
import logging
from zoneinfo import ZoneInfo

import django.contrib.postgres.constraints
import django.db.models.deletion
from django.contrib.postgres.operations import BtreeGistExtension
from django.db import migrations, models

import jobs.models.plan
import jobs.tenancy.context
import jobs.tenancy.fields
import jobs.tenancy.ids
from jobs.tenancy import growth
from jobs.tenancy.migrations import RunPythonUnforced

BOOKINGS = (("PersonAssignment", "member_id"), ("InstrumentAssignment", "instrument_id"))
TABLES = ["jobs_personassignment", "jobs_instrumentassignment", "jobs_job", "jobs_site"]
USUAL = (datetime.time(7), datetime.time(17))


def fill(apps, schema_editor):
    """Whole days from 07:00 to 17:00 at the site. Days that touched in zones far apart may overlap as
    moments: of such two the later one no longer holds, and the log says so."""
    for name, of in BOOKINGS:
        model = apps.get_model("jobs", name)
        free_at = {}
        changed = []
        for row in model.objects.select_related("job__site").order_by("starts_on", "id").iterator(2000):
            zone = ZoneInfo(row.job.site.time_zone)
            row.starts_at = datetime.datetime.combine(row.starts_on, USUAL[0], zone)
            row.ends_at = datetime.datetime.combine(row.ends_on, USUAL[1], zone)
            row.holds = row.job.status in ("open", "submitted")
            key = (row.company_id, getattr(row, of))
            if row.holds and row.starts_at < free_at.get(key, row.starts_at):
                logging.getLogger("jobs.migrations").warning("%s %s overlaps and does not hold", name, row.id)
                row.holds = False
            if row.holds:
                free_at[key] = row.ends_at
            changed.append(row)
        model.objects.bulk_update(changed, ["starts_at", "ends_at", "holds"], batch_size=500)


# The row of the member makes two transactions take turns, so that each sees what the other stored.
TRAVEL = """
CREATE FUNCTION person_travel() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    here uuid;
    usual integer;
BEGIN
    PERFORM FROM jobs_member
        WHERE company_id = NEW.company_id AND id = NEW.member_id FOR NO KEY UPDATE;
    SELECT site_id INTO here FROM jobs_job WHERE company_id = NEW.company_id AND id = NEW.job_id;
    SELECT travel_minutes INTO usual FROM jobs_company WHERE id = NEW.company_id;
    PERFORM FROM jobs_personassignment a
        JOIN jobs_job j ON j.company_id = a.company_id AND j.id = a.job_id
        LEFT JOIN jobs_traveltime t ON t.company_id = a.company_id
            AND t.one_id = least(j.site_id, here) AND t.other_id = greatest(j.site_id, here)
        WHERE a.company_id = NEW.company_id AND a.member_id = NEW.member_id AND a.id <> NEW.id AND a.holds
            AND j.site_id <> here
            AND a.starts_at < NEW.ends_at + make_interval(mins => coalesce(t.minutes, usual))
            AND a.ends_at > NEW.starts_at - make_interval(mins => coalesce(t.minutes, usual));
    IF FOUND THEN
        RAISE EXCEPTION 'the way between two sites is too short'
            USING ERRCODE = 'exclusion_violation', CONSTRAINT = 'person_travel';
    END IF;
    RETURN NEW;
END $$
"""
TRIGGER = (
    "CREATE TRIGGER person_travel BEFORE INSERT OR UPDATE OF starts_at, ends_at, holds, member_id, job_id"
    " ON jobs_personassignment FOR EACH ROW WHEN (NEW.holds) EXECUTE FUNCTION person_travel()"
)


class Migration(migrations.Migration):
    dependencies = [
        ("jobs", "0004_event_seal"),
    ]

    operations = [
        BtreeGistExtension(),
        migrations.CreateModel(
            name="CalendarAddress",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=jobs.tenancy.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("secret_hash", models.BinaryField(max_length=32)),
                ("made_at", models.DateTimeField(auto_now_add=True)),
                ("revoked_at", models.DateTimeField(blank=True, null=True)),
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
                    "member",
                    jobs.tenancy.fields.TenantForeignKey(
                        on_delete=django.db.models.deletion.CASCADE, related_name="+", to="jobs.member"
                    ),
                ),
                (
                    "made_by",
                    jobs.tenancy.fields.TenantForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="jobs.member",
                    ),
                ),
            ],
            options={
                "abstract": False,
                "base_manager_name": "objects",
            },
        ),
        migrations.CreateModel(
            name="PlanNotice",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=jobs.tenancy.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("words", models.CharField(max_length=200)),
                ("made_at", models.DateTimeField(auto_now_add=True)),
                ("sent_at", models.DateTimeField(blank=True, help_text="Empty: its mail is due.", null=True)),
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
                    "member",
                    jobs.tenancy.fields.TenantForeignKey(
                        on_delete=django.db.models.deletion.CASCADE, related_name="+", to="jobs.member"
                    ),
                ),
                (
                    "job",
                    jobs.tenancy.fields.TenantForeignKey(
                        on_delete=django.db.models.deletion.CASCADE, related_name="+", to="jobs.job"
                    ),
                ),
            ],
            options={
                "abstract": False,
                "base_manager_name": "objects",
            },
        ),
        migrations.CreateModel(
            name="TravelTime",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=jobs.tenancy.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("minutes", models.PositiveSmallIntegerField()),
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
                    "one",
                    jobs.tenancy.fields.TenantForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="jobs.site"
                    ),
                ),
                (
                    "other",
                    jobs.tenancy.fields.TenantForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="jobs.site"
                    ),
                ),
            ],
            options={
                "abstract": False,
                "base_manager_name": "objects",
            },
        ),
        migrations.AddField(
            model_name="company",
            name="day_ends",
            field=models.TimeField(
                default=datetime.time(17, 0), help_text="When planned days end, by the site's clock."
            ),
        ),
        migrations.AddField(
            model_name="company",
            name="day_starts",
            field=models.TimeField(
                default=datetime.time(7, 0), help_text="When planned days begin, by the site's clock."
            ),
        ),
        migrations.AddField(
            model_name="company",
            name="plan_mails",
            field=models.BooleanField(default=False, help_text="Mail people when their plan changes."),
        ),
        migrations.AddField(
            model_name="company",
            name="travel_minutes",
            field=models.PositiveSmallIntegerField(
                default=0, help_text="Between two sites whose own travel time is not set."
            ),
        ),
        migrations.AddField(
            model_name="instrumentassignment",
            name="changed_at",
            field=models.DateTimeField(auto_now=True),
        ),
        migrations.AddField(
            model_name="instrumentassignment",
            name="ends_at",
            field=models.DateTimeField(null=True),
        ),
        migrations.AddField(
            model_name="instrumentassignment",
            name="from_time",
            field=models.TimeField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name="instrumentassignment",
            name="holds",
            field=models.BooleanField(default=True, help_text="No: the job is cancelled or approved."),
        ),
        migrations.AddField(
            model_name="instrumentassignment",
            name="starts_at",
            field=models.DateTimeField(null=True),
        ),
        migrations.AddField(
            model_name="instrumentassignment",
            name="to_time",
            field=models.TimeField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name="personassignment",
            name="changed_at",
            field=models.DateTimeField(auto_now=True),
        ),
        migrations.AddField(
            model_name="personassignment",
            name="ends_at",
            field=models.DateTimeField(null=True),
        ),
        migrations.AddField(
            model_name="personassignment",
            name="from_time",
            field=models.TimeField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name="personassignment",
            name="holds",
            field=models.BooleanField(default=True, help_text="No: the job is cancelled or approved."),
        ),
        migrations.AddField(
            model_name="personassignment",
            name="starts_at",
            field=models.DateTimeField(null=True),
        ),
        migrations.AddField(
            model_name="personassignment",
            name="to_time",
            field=models.TimeField(blank=True, null=True),
        ),
        RunPythonUnforced(TABLES, fill, migrations.RunPython.noop),
        migrations.AlterField(model_name="personassignment", name="starts_at", field=models.DateTimeField()),
        migrations.AlterField(model_name="personassignment", name="ends_at", field=models.DateTimeField()),
        migrations.AlterField(
            model_name="instrumentassignment", name="starts_at", field=models.DateTimeField()
        ),
        migrations.AlterField(
            model_name="instrumentassignment", name="ends_at", field=models.DateTimeField()
        ),
        migrations.AddConstraint(
            model_name="instrumentassignment",
            constraint=models.CheckConstraint(
                condition=models.Q(("ends_at__gt", models.F("starts_at"))), name="instrument_moments"
            ),
        ),
        migrations.AddConstraint(
            model_name="instrumentassignment",
            constraint=django.contrib.postgres.constraints.ExclusionConstraint(
                condition=models.Q(("holds", True)),
                expressions=[("company", "="), ("instrument", "="), (jobs.models.plan.Booked(), "&&")],
                name="instrument_once_at_a_time",
            ),
        ),
        migrations.AddConstraint(
            model_name="personassignment",
            constraint=models.CheckConstraint(
                condition=models.Q(("ends_at__gt", models.F("starts_at"))), name="person_moments"
            ),
        ),
        migrations.AddConstraint(
            model_name="personassignment",
            constraint=django.contrib.postgres.constraints.ExclusionConstraint(
                condition=models.Q(("holds", True)),
                expressions=[("company", "="), ("member", "="), (jobs.models.plan.Booked(), "&&")],
                name="person_once_at_a_time",
            ),
        ),
        migrations.AddConstraint(
            model_name="calendaraddress",
            constraint=models.UniqueConstraint(fields=("company", "secret_hash"), name="calendar_secret"),
        ),
        migrations.AddIndex(
            model_name="plannotice",
            index=models.Index(fields=["company", "member", "sent_at"], name="plan_notice_due"),
        ),
        migrations.AddConstraint(
            model_name="traveltime",
            constraint=models.UniqueConstraint(fields=("company", "one", "other"), name="travel_pair"),
        ),
        migrations.AddConstraint(
            model_name="traveltime",
            constraint=models.CheckConstraint(
                condition=models.Q(("one__lt", models.F("other"))), name="travel_order"
            ),
        ),
        # Nodes of a sharding database take no trigger that reads other tables: `bookings.book` looks there.
        migrations.RunSQL(
            [TRAVEL] if growth.is_sharded() else [TRAVEL, TRIGGER],
            [
                "DROP TRIGGER IF EXISTS person_travel ON jobs_personassignment",
                "DROP FUNCTION IF EXISTS person_travel()",
            ],
        ),
    ]
