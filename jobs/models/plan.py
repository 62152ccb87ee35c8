"""What is to be measured, where and by whom: customers, sites, systems, test points, jobs."""

from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import ArrayField, DateTimeRangeField, RangeBoundary, RangeOperators
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.utils.translation import gettext_noop

from jobs.models.company import Member
from jobs.models.instrument import Instrument
from jobs.tenancy.fields import TenantForeignKey
from jobs.tenancy.models import TenantModel


class Customer(TenantModel):
    name = models.CharField(max_length=160)
    contact_name = models.CharField(max_length=120, blank=True)
    contact_email = models.EmailField(max_length=254, blank=True)
    address = models.TextField(max_length=600, blank=True)
    created_at = models.DateTimeField(auto_now_add=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta(TenantModel.Meta):
        constraints = [models.UniqueConstraint(fields=["company", "name"], name="customer_name")]

    def __str__(self) -> str:
        return self.name


class Site(TenantModel):
    """A building or campus. Its elevation stands in for a barometer, its zone dates the report."""

    customer = TenantForeignKey(Customer, models.PROTECT, related_name="sites")
    name = models.CharField(max_length=160)
    address = models.TextField(max_length=600, blank=True)
    elevation_m = models.FloatField(
        default=0.0, validators=[MinValueValidator(-430.0), MaxValueValidator(5000.0)]
    )
    time_zone = models.CharField(max_length=64, default="UTC")
    created_at = models.DateTimeField(auto_now_add=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta(TenantModel.Meta):
        constraints = [models.UniqueConstraint(fields=["company", "customer", "name"], name="site_name")]

    def __str__(self) -> str:
        return self.name


class SystemKind(models.TextChoices):
    SUPPLY = "supply", gettext_noop("Supply air")
    RETURN = "return", gettext_noop("Return air")
    EXHAUST = "exhaust", gettext_noop("Exhaust air")
    OUTDOOR = "outdoor", gettext_noop("Outdoor air")
    WATER = "water", gettext_noop("Water")


class System(TenantModel):
    site = TenantForeignKey(Site, models.PROTECT, related_name="systems")
    tag = models.CharField(max_length=40)
    name = models.CharField(max_length=160, blank=True)
    kind = models.TextField(choices=SystemKind.choices, default=SystemKind.SUPPLY)
    created_at = models.DateTimeField(auto_now_add=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta(TenantModel.Meta):
        constraints = [models.UniqueConstraint(fields=["company", "site", "tag"], name="system_tag")]

    def __str__(self) -> str:
        return self.tag


class PointKind(models.TextChoices):
    PLANE = "plane", gettext_noop("Traverse plane")
    OUTLET = "outlet", gettext_noop("Outlet")
    FAN = "fan", gettext_noop("Fan")
    COIL = "coil", gettext_noop("Coil")
    PUMP = "pump", gettext_noop("Pump")
    VALVE = "valve", gettext_noop("Valve")
    ROOM = "room", gettext_noop("Room")
    UNIT = "unit", gettext_noop("Air handling unit")
    DUCT = "duct", gettext_noop("Duct section")
    FUME_HOOD = "fume_hood", gettext_noop("Fume hood")
    DEVICE = "device", gettext_noop("Pressure device")


class Shape(models.TextChoices):
    NONE = "", gettext_noop("Not a duct")
    ROUND = "round", gettext_noop("Round")
    RECTANGULAR = "rectangular", gettext_noop("Rectangular")
    OVAL = "oval", gettext_noop("Flat oval")


class DensityBasis(models.TextChoices):
    """At which air density a design flow is meant; a verdict compares like with like."""

    ACTUAL = "actual", gettext_noop("At actual density")
    STANDARD = "standard", gettext_noop("At standard density")


class Measurand(models.TextChoices):
    """What a figure is about. The SI unit of each; a flow's design stands in `design_flow`."""

    FLOW = "flow", gettext_noop("Flow, m³/s")
    PRESSURE = "pressure", gettext_noop("Pressure, Pa")
    EXTERNAL_STATIC = "external_static", gettext_noop("External static pressure, Pa")
    FAN_STATIC_PRESSURE = "fan_static_pressure", gettext_noop("Fan static pressure, Pa")
    VELOCITY = "velocity", gettext_noop("Mean face velocity, m/s")
    OUTDOOR_SHARE = "outdoor_share", gettext_noop("Outdoor air share")
    LEAKAGE = "leakage", gettext_noop("Leakage, m³/s per m²")
    HEAD = "head", gettext_noop("Head, m")
    HEAT = "heat", gettext_noop("Heat, W")
    NC_RATING = "nc_rating", gettext_noop("NC rating")

    @property
    def words(self) -> str:
        """The label without its unit."""
        return str(self.label).partition(",")[0]

    @property
    def unit(self) -> str:
        """The SI unit."""
        return str(self.label).partition(", ")[2].replace("m³/s per m²", "m³/s/m²") or "1"


class TestPoint(TenantModel):
    """A place in a system that gets a figure. Dimensions in m, flows in m³/s, tolerances as shares."""

    __test__ = False  # not a test class, whatever a test runner thinks of the name

    system = TenantForeignKey(System, models.PROTECT, related_name="points")
    parent = TenantForeignKey("self", models.PROTECT, null=True, blank=True, related_name="children")
    tag = models.CharField(max_length=40)
    kind = models.TextField(choices=PointKind.choices)
    location = models.CharField(max_length=200, blank=True)
    shape = models.TextField(choices=Shape.choices, blank=True, default=Shape.NONE)
    width_m = models.FloatField(null=True, blank=True)
    height_m = models.FloatField(null=True, blank=True)
    diameter_m = models.FloatField(null=True, blank=True)
    design_flow = models.FloatField(null=True, blank=True, help_text="m³/s")
    design_entered = models.CharField(
        max_length=40, blank=True, help_text="As the schedule gave it, with unit."
    )
    design_basis = models.TextField(choices=DensityBasis.choices, default=DensityBasis.ACTUAL)
    design_of = models.TextField(
        choices=Measurand.choices,
        blank=True,
        help_text="What design_value and the limits are about, when it is no flow.",
    )
    design_value = models.FloatField(null=True, blank=True, help_text="SI; signed for pressures.")
    limit_low = models.FloatField(null=True, blank=True, help_text="SI. Limits win over tolerances.")
    limit_high = models.FloatField(null=True, blank=True, help_text="SI")
    tolerance_below = models.FloatField(
        null=True, blank=True, help_text="Share; empty: the job's or company's."
    )
    tolerance_above = models.FloatField(
        null=True, blank=True, help_text="Share; empty: the job's or company's."
    )
    position = models.PositiveIntegerField(default=0, help_text="Order in the schedule.")
    created_at = models.DateTimeField(auto_now_add=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta(TenantModel.Meta):
        constraints = [models.UniqueConstraint(fields=["company", "system", "tag"], name="point_tag")]

    def __str__(self) -> str:
        return self.tag


class JobStatus(models.TextChoices):
    OPEN = "open", gettext_noop("Open")
    SUBMITTED = "submitted", gettext_noop("Submitted for review")
    APPROVED = "approved", gettext_noop("Approved")
    ISSUED = "issued", gettext_noop("Issued")
    CANCELLED = "cancelled", gettext_noop("Cancelled")


class Job(TenantModel):
    """Site + systems + window. Tolerances and decision rule may differ by contract."""

    number = models.PositiveIntegerField()
    title = models.CharField(max_length=200)
    site = TenantForeignKey(Site, models.PROTECT, related_name="jobs")
    status = models.TextField(choices=JobStatus.choices, default=JobStatus.OPEN)
    starts_on = models.DateField()
    ends_on = models.DateField()
    notes = models.TextField(max_length=4000, blank=True)
    tolerance_below = models.FloatField(null=True, blank=True)
    tolerance_above = models.FloatField(null=True, blank=True)
    systems = models.ManyToManyField(System, through="JobSystem", related_name="jobs")
    created_at = models.DateTimeField(auto_now_add=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta(TenantModel.Meta):
        constraints = [
            models.UniqueConstraint(fields=["company", "number"], name="job_number"),
            models.CheckConstraint(condition=models.Q(ends_on__gte=models.F("starts_on")), name="job_window"),
        ]

    def __str__(self) -> str:
        return f"{self.number} {self.title}"


class JobSystem(TenantModel):
    job = TenantForeignKey(Job, models.CASCADE, related_name="job_systems")
    system = TenantForeignKey(System, models.PROTECT, related_name="job_systems")

    class Meta(TenantModel.Meta):
        constraints = [models.UniqueConstraint(fields=["company", "job", "system"], name="job_system")]


class TravelTime(TenantModel):
    """Minutes from one site to another, either way. `one` is the smaller id, so that a pair stands once."""

    one = TenantForeignKey(Site, models.PROTECT, related_name="+")
    other = TenantForeignKey(Site, models.PROTECT, related_name="+")
    minutes = models.PositiveSmallIntegerField()

    class Meta(TenantModel.Meta):
        constraints = [
            models.UniqueConstraint(fields=["company", "one", "other"], name="travel_pair"),
            models.CheckConstraint(condition=models.Q(one__lt=models.F("other")), name="travel_order"),
        ]


class Booked(models.Func):
    """The range of moments that a booking holds; its end is free again."""

    function = "tstzrange"
    output_field = DateTimeRangeField()

    def __init__(self) -> None:
        super().__init__(models.F("starts_at"), models.F("ends_at"), RangeBoundary())

    def deconstruct(self) -> tuple[str, list[object], dict[str, object]]:
        return "jobs.models.plan.Booked", [], {}


def once_at_a_time(what: str, name: str) -> ExclusionConstraint:
    """No two bookings of a person or instrument overlap while they hold; the database itself refuses."""
    return ExclusionConstraint(
        name=name,
        expressions=[
            ("company", RangeOperators.EQUAL),
            (what, RangeOperators.EQUAL),
            (Booked(), RangeOperators.OVERLAPS),
        ],
        condition=models.Q(holds=True),
    )


class Booking(TenantModel):
    """Days of a job's window at the site (both ends included), and the moments that they are.

    `from_time` is the clock at the site on the first day, `to_time` on the last; empty: the company's hours.
    """

    starts_on = models.DateField()
    ends_on = models.DateField()
    from_time = models.TimeField(null=True, blank=True)
    to_time = models.TimeField(null=True, blank=True)
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    holds = models.BooleanField(default=True, help_text="No: the job is cancelled or approved.")
    changed_at = models.DateTimeField(auto_now=True)

    class Meta(TenantModel.Meta):
        abstract = True


class PersonAssignment(Booking):
    """A technician planned on a job. A trigger of the database also counts the way from other sites."""

    job = TenantForeignKey(Job, models.CASCADE, related_name="people")
    member = TenantForeignKey(Member, models.PROTECT, related_name="assignments")

    class Meta(Booking.Meta):
        constraints = [
            models.UniqueConstraint(fields=["company", "job", "member"], name="job_member"),
            models.CheckConstraint(
                condition=models.Q(ends_on__gte=models.F("starts_on")), name="person_days"
            ),
            models.CheckConstraint(
                condition=models.Q(ends_at__gt=models.F("starts_at")), name="person_moments"
            ),
            once_at_a_time("member", "person_once_at_a_time"),
        ]


class InstrumentAssignment(Booking):
    """An instrument planned on a job."""

    job = TenantForeignKey(Job, models.CASCADE, related_name="instruments")
    instrument = TenantForeignKey(Instrument, models.PROTECT, related_name="assignments")
    warnings = ArrayField(models.TextField(), default=list)

    class Meta(Booking.Meta):
        constraints = [
            models.UniqueConstraint(fields=["company", "job", "instrument"], name="job_instrument"),
            models.CheckConstraint(
                condition=models.Q(ends_on__gte=models.F("starts_on")), name="instrument_days"
            ),
            models.CheckConstraint(
                condition=models.Q(ends_at__gt=models.F("starts_at")), name="instrument_moments"
            ),
            once_at_a_time("instrument", "instrument_once_at_a_time"),
        ]


class CalendarAddress(TenantModel):
    """The private address of a member's calendar: only its SHA-256 is kept; the text is shown once."""

    member = TenantForeignKey(Member, models.CASCADE, related_name="+")
    secret_hash = models.BinaryField(max_length=32)
    made_by = TenantForeignKey(Member, models.PROTECT, null=True, blank=True, related_name="+")
    made_at = models.DateTimeField(auto_now_add=True)
    revoked_at = models.DateTimeField(null=True, blank=True)

    class Meta(TenantModel.Meta):
        constraints = [models.UniqueConstraint(fields=["company", "secret_hash"], name="calendar_secret")]


class PlanNotice(TenantModel):
    """That a member is to be told of a change in their plan; what it is then, the mail looks up itself."""

    member = TenantForeignKey(Member, models.CASCADE, related_name="+")
    job = TenantForeignKey(Job, models.CASCADE, related_name="+")
    words = models.CharField(max_length=200)
    made_at = models.DateTimeField(auto_now_add=True)
    sent_at = models.DateTimeField(null=True, blank=True, help_text="Empty: its mail is due.")

    class Meta(TenantModel.Meta):
        indexes = [models.Index(fields=["company", "member", "sent_at"], name="plan_notice_due")]
