"""What was read: batches as they arrived, sessions, readings, sweeps. All append-only."""

from typing import ClassVar

from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.utils.translation import gettext_noop

from jobs.models import AccessToken, Device, Instrument, Job, Member, Quantity, TestPoint
from jobs.tenancy.constraints import AppendOnly
from jobs.tenancy.fields import TenantForeignKey
from jobs.tenancy.models import TenantModel


class Method(models.TextChoices):
    """Ways of measuring."""

    PITOT_TRAVERSE = "pitot_traverse", gettext_noop("Pitot traverse")
    SWEPT_TRAVERSE = "swept_traverse", gettext_noop("Swept traverse")
    CENTRELINE_READING = "centreline_reading", gettext_noop("Centreline reading")
    HOOD_READING = "hood_reading", gettext_noop("Flow hood reading")
    ANEMOMETER_TRAVERSE = "anemometer_traverse", gettext_noop("Anemometer traverse")
    FACE_VELOCITY = "face_velocity", gettext_noop("Face velocity reading")
    FLOW_STATION = "flow_station", gettext_noop("Flow station reading")
    STATIC_PROFILE = "static_profile", gettext_noop("Static pressure profile")
    PRESSURE_CHECK = "pressure_check", gettext_noop("Pressure check")
    FAN_TEST = "fan_test", gettext_noop("Fan test")
    MIXED_AIR = "mixed_air", gettext_noop("Mixed air test")
    LEAKAGE_TEST = "leakage_test", gettext_noop("Duct leakage test")
    ROOM_PRESSURE = "room_pressure", gettext_noop("Room pressure test")
    HOOD_FACE = "hood_face", gettext_noop("Fume hood face test")
    SOUND_LEVEL = "sound_level", gettext_noop("Sound level reading")
    VALVE_FLOW = "valve_flow", gettext_noop("Balancing valve reading")
    PUMP_TEST = "pump_test", gettext_noop("Pump test")
    COIL_HEAT = "coil_heat", gettext_noop("Coil heat test")


class Batch(TenantModel):
    """A tablet's post as it arrived: the original observation, byte for byte (zlib), and the answer to it."""

    member = TenantForeignKey(Member, models.PROTECT, related_name="+")
    device = TenantForeignKey(Device, models.PROTECT, null=True, blank=True, related_name="+")
    token = TenantForeignKey(AccessToken, models.PROTECT, null=True, blank=True, related_name="+")
    received_at = models.DateTimeField()
    sent_at = models.DateTimeField(help_text="The tablet's clock.")
    body = models.BinaryField()
    body_digest = models.CharField(max_length=64)
    outcomes = models.JSONField()

    class Meta(TenantModel.Meta):
        constraints = [AppendOnly(name="batch_append_only")]
        indexes = [models.Index(fields=["company", "received_at"], name="batch_received")]


class Session(TenantModel):
    """One measurement of one test point by one method. The id is the tablet's.

    One session supersedes another at most once, so that a chain has one newest. A session that a `Correction`
    names is that correction: measured by whom, when and on what the original was, with the same figures.

    `content` is everything but readings and sweeps, as checked: conditions, plane as found, zero checks,
    instruments by use, each figure with its SI value and as entered. `content_digest` covers the whole
    session, readings and sweeps included.
    """

    job = TenantForeignKey(Job, models.PROTECT, related_name="sessions")
    test_point = TenantForeignKey(TestPoint, models.PROTECT, related_name="sessions")
    method = models.TextField(choices=Method.choices)
    member = TenantForeignKey(Member, models.PROTECT, related_name="sessions", help_text="Who measured.")
    device = TenantForeignKey(Device, models.PROTECT, null=True, blank=True, related_name="+")
    batch = TenantForeignKey(Batch, models.PROTECT, related_name="sessions")
    started_at = models.DateTimeField()
    finished_at = models.DateTimeField()
    received_at = models.DateTimeField()
    clock_offset_s = models.FloatField(help_text="Server's clock minus the tablet's when the batch arrived.")
    supersedes = TenantForeignKey("self", models.PROTECT, null=True, blank=True, related_name="superseded_by")
    reason = models.TextField(max_length=2000, blank=True, help_text="Why it supersedes.")
    note = models.TextField(max_length=20000, blank=True)
    content = models.JSONField()
    content_digest = models.CharField(max_length=64)

    DIGESTED: ClassVar[dict[str, str]] = {"content": "content_digest"}

    class Meta(TenantModel.Meta):
        constraints = [
            models.UniqueConstraint(fields=["company", "supersedes"], name="session_superseded_once"),
            AppendOnly(name="session_append_only"),
        ]
        indexes = [
            models.Index(fields=["company", "job", "test_point", "started_at"], name="session_of_point"),
            models.Index(fields=["company", "received_at", "id"], name="session_received"),
        ]


class Reading(TenantModel):
    """One reading: SI value and as entered, with where it was taken: a named place of the method (empty: its
    first), and run, line and point there (from 1)."""

    session = TenantForeignKey(Session, models.PROTECT, related_name="readings", db_index=False)
    instrument = TenantForeignKey(
        Instrument, models.PROTECT, null=True, blank=True, related_name="+", db_index=False
    )
    place = models.TextField(blank=True, default="")
    run = models.SmallIntegerField(default=1)
    line = models.SmallIntegerField(default=1)
    point = models.SmallIntegerField(default=1)
    quantity = models.TextField(choices=Quantity.choices)
    value = models.FloatField()
    entered = models.TextField(help_text="The figure as shown, e.g. 13.10")
    unit = models.TextField()
    taken_at = models.DateTimeField()

    class Meta(TenantModel.Meta):
        constraints = [AppendOnly(name="reading_append_only")]
        indexes = [models.Index(fields=["company", "session"], name="reading_of_session")]


class Sweep(TenantModel):
    """One slow pass of the probe along a line: a series of samples, or the mean the instrument showed."""

    session = TenantForeignKey(Session, models.PROTECT, related_name="sweeps", db_index=False)
    instrument = TenantForeignKey(
        Instrument, models.PROTECT, null=True, blank=True, related_name="+", db_index=False
    )
    run = models.SmallIntegerField(default=1)
    line = models.SmallIntegerField(default=1)
    quantity = models.TextField(choices=Quantity.choices)
    started_at = models.DateTimeField()
    duration_s = models.FloatField()
    mean = models.FloatField(null=True, blank=True, help_text="SI; empty when samples are given.")
    entered = models.TextField(blank=True)
    unit = models.TextField()
    samples = ArrayField(models.FloatField(), default=list, help_text="SI, evenly spaced over the duration.")

    class Meta(TenantModel.Meta):
        constraints = [AppendOnly(name="sweep_append_only")]
        indexes = [models.Index(fields=["company", "session"], name="sweep_of_session")]


class Correction(TenantModel):
    """A clerical mistake put right: which session took the place of which, by whom, when, what and why.

    `changes` is a list of {"path", "before", "after"}: JSON pointers into the session as it was posted
    ("/plane/width", "/readings/3/unit"); null where there was or is nothing. No digit that an instrument
    showed is ever among them. `summary` says the same in words, {"what", "before", "after"}, with the tags
    and serial numbers of that moment. `session.reason` says why.
    """

    session = TenantForeignKey(Session, models.PROTECT, related_name="corrections", db_index=False)
    original = TenantForeignKey(Session, models.PROTECT, related_name="corrected_as", db_index=False)
    member = TenantForeignKey(Member, models.PROTECT, related_name="+", db_index=False)
    at = models.DateTimeField(help_text="By the server's clock.")
    changes = models.JSONField()
    summary = models.JSONField()

    class Meta(TenantModel.Meta):
        constraints = [
            models.UniqueConstraint(fields=["company", "session"], name="correction_of_session"),
            models.UniqueConstraint(fields=["company", "original"], name="correction_of_original"),
            AppendOnly(name="correction_append_only"),
        ]


class SessionVoid(TenantModel):
    """A session counts no more: by whom, when, why. The first makes it void; later ones are notes to it."""

    session = TenantForeignKey(Session, models.PROTECT, related_name="voids", db_index=False)
    member = TenantForeignKey(Member, models.PROTECT, related_name="+", db_index=False)
    at = models.DateTimeField(help_text="By the server's clock.")
    reason = models.TextField(max_length=2000)

    class Meta(TenantModel.Meta):
        constraints = [AppendOnly(name="session_void_append_only")]
        indexes = [models.Index(fields=["company", "session", "at"], name="void_of_session")]
