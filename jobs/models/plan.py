"""What is to be measured, where and by whom: customers, sites, systems, test points, jobs."""

from django.contrib.postgres.fields import ArrayField
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models

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
    SUPPLY = "supply", "Supply air"
    RETURN = "return", "Return air"
    EXHAUST = "exhaust", "Exhaust air"
    OUTDOOR = "outdoor", "Outdoor air"
    WATER = "water", "Water"


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
    PLANE = "plane", "Traverse plane"
    OUTLET = "outlet", "Outlet"
    FAN = "fan", "Fan"
    COIL = "coil", "Coil"
    PUMP = "pump", "Pump"
    VALVE = "valve", "Valve"
    ROOM = "room", "Room"
    UNIT = "unit", "Air handling unit"
    DUCT = "duct", "Duct section"
    FUME_HOOD = "fume_hood", "Fume hood"
    DEVICE = "device", "Pressure device"


class Shape(models.TextChoices):
    NONE = "", "Not a duct"
    ROUND = "round", "Round"
    RECTANGULAR = "rectangular", "Rectangular"
    OVAL = "oval", "Flat oval"


class DensityBasis(models.TextChoices):
    """At which air density a design flow is meant; a verdict compares like with like."""

    ACTUAL = "actual", "At actual density"
    STANDARD = "standard", "At standard density"


class Measurand(models.TextChoices):
    """What a figure is about. The SI unit of each; a flow's design stands in `design_flow`."""

    FLOW = "flow", "Flow, m³/s"
    PRESSURE = "pressure", "Pressure, Pa"
    EXTERNAL_STATIC = "external_static", "External static pressure, Pa"
    FAN_STATIC_PRESSURE = "fan_static_pressure", "Fan static pressure, Pa"
    VELOCITY = "velocity", "Mean face velocity, m/s"
    OUTDOOR_SHARE = "outdoor_share", "Outdoor air share"
    LEAKAGE = "leakage", "Leakage, m³/s per m²"
    HEAD = "head", "Head, m"
    HEAT = "heat", "Heat, W"
    NC_RATING = "nc_rating", "NC rating"

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
    OPEN = "open", "Open"
    SUBMITTED = "submitted", "Submitted for review"
    APPROVED = "approved", "Approved"
    ISSUED = "issued", "Issued"
    CANCELLED = "cancelled", "Cancelled"


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


class PersonAssignment(TenantModel):
    """A technician planned on a job for some days of its window (both ends included)."""

    job = TenantForeignKey(Job, models.CASCADE, related_name="people")
    member = TenantForeignKey(Member, models.PROTECT, related_name="assignments")
    starts_on = models.DateField()
    ends_on = models.DateField()

    class Meta(TenantModel.Meta):
        constraints = [
            models.UniqueConstraint(fields=["company", "job", "member"], name="job_member"),
            models.CheckConstraint(
                condition=models.Q(ends_on__gte=models.F("starts_on")), name="person_days"
            ),
        ]


class InstrumentAssignment(TenantModel):
    """An instrument planned on a job for some days of its window (both ends included)."""

    job = TenantForeignKey(Job, models.CASCADE, related_name="instruments")
    instrument = TenantForeignKey(Instrument, models.PROTECT, related_name="assignments")
    starts_on = models.DateField()
    ends_on = models.DateField()
    warnings = ArrayField(models.TextField(), default=list)

    class Meta(TenantModel.Meta):
        constraints = [
            models.UniqueConstraint(fields=["company", "job", "instrument"], name="job_instrument"),
            models.CheckConstraint(
                condition=models.Q(ends_on__gte=models.F("starts_on")), name="instrument_days"
            ),
        ]
