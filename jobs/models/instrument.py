"""Instruments and the certificates that say how wrong they are."""

from django.db import models
from django.utils.translation import gettext_noop

from jobs.models.company import Member
from jobs.tenancy.constraints import AppendOnly
from jobs.tenancy.fields import TenantForeignKey
from jobs.tenancy.models import TenantModel


class InstrumentKind(models.TextChoices):
    MANOMETER = "manometer", gettext_noop("Manometer")
    PITOT_TUBE = "pitot_tube", gettext_noop("Pitot-static tube")
    ANEMOMETER = "anemometer", gettext_noop("Anemometer")
    FLOW_HOOD = "flow_hood", gettext_noop("Flow hood")
    THERMOMETER = "thermometer", gettext_noop("Thermometer")
    HYGROMETER = "hygrometer", gettext_noop("Hygrometer")
    BAROMETER = "barometer", gettext_noop("Barometer")
    TAPE = "tape", gettext_noop("Measuring tape")
    TACHOMETER = "tachometer", gettext_noop("Tachometer")
    ELECTRICAL = "electrical", gettext_noop("Electrical meter")
    PRESSURE_GAUGE = "pressure_gauge", gettext_noop("Pressure gauge")
    FLOW_METER = "flow_meter", gettext_noop("Flow meter")
    SOUND_METER = "sound_meter", gettext_noop("Sound level meter")
    GAS_ANALYSER = "gas_analyser", gettext_noop("Carbon dioxide analyser")
    PARTICLE_COUNTER = "particle_counter", gettext_noop("Particle counter")
    OTHER = "other", gettext_noop("Other")


class Quantity(models.TextChoices):
    """What an instrument shows. SI unit of each in measurements.calc.units."""

    PRESSURE = "pressure", gettext_noop("Pressure difference, Pa")
    VELOCITY = "velocity", gettext_noop("Air velocity, m/s")
    FLOW = "flow", gettext_noop("Volume flow, m³/s")
    TEMPERATURE = "temperature", gettext_noop("Temperature, K")
    HUMIDITY = "humidity", gettext_noop("Relative humidity, share")
    ABSOLUTE_PRESSURE = "absolute_pressure", gettext_noop("Absolute pressure, Pa")
    LENGTH = "length", gettext_noop("Length, m")
    FACTOR = "factor", gettext_noop("Probe factor")
    SPEED = "speed", gettext_noop("Rotational speed, 1/s")
    VOLTAGE = "voltage", gettext_noop("Voltage, V")
    CURRENT = "current", gettext_noop("Current, A")
    POWER = "power", gettext_noop("Power, W")
    CARBON_DIOXIDE = "carbon_dioxide", gettext_noop("Carbon dioxide, share")
    CONCENTRATION = "concentration", gettext_noop("Particles, 1/m³")
    SOUND_LEVEL = "sound_level", gettext_noop("Sound level, dB")


class Instrument(TenantModel):
    """One instrument, known by its serial number."""

    serial = models.CharField(max_length=60)
    name = models.CharField(max_length=120)
    kind = models.TextField(choices=InstrumentKind.choices)
    maker = models.CharField(max_length=120, blank=True)
    in_service = models.BooleanField(default=True)
    probe_length_m = models.FloatField(null=True, blank=True, help_text="Reach of a probe, m.")
    probe_factor = models.FloatField(
        null=True, blank=True, help_text="Factor of a pitot-static tube or hood."
    )
    probe_factor_u = models.FloatField(null=True, blank=True, help_text="Its standard uncertainty.")
    created_at = models.DateTimeField(auto_now_add=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta(TenantModel.Meta):
        constraints = [models.UniqueConstraint(fields=["company", "serial"], name="instrument_serial")]

    def __str__(self) -> str:
        return f"{self.name} {self.serial}"


class InstrumentRange(TenantModel):
    """What the maker promises for one quantity. SI units; accuracy parts add as |a| + |b|·x + |c|·span."""

    instrument = TenantForeignKey(Instrument, models.CASCADE, related_name="ranges")
    quantity = models.TextField(choices=Quantity.choices)
    minimum = models.FloatField()
    maximum = models.FloatField()
    resolution = models.FloatField()
    accuracy_absolute = models.FloatField(default=0.0)
    accuracy_of_reading = models.FloatField(default=0.0, help_text="Share of the reading.")
    accuracy_of_span = models.FloatField(default=0.0, help_text="Share of the span.")

    class Meta(TenantModel.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["company", "instrument", "quantity", "minimum"], name="range_quantity"
            ),
            models.CheckConstraint(condition=models.Q(maximum__gt=models.F("minimum")), name="range_order"),
            models.CheckConstraint(condition=models.Q(resolution__gt=0), name="range_resolution"),
        ]


class Certificate(TenantModel):
    """A calibration as the laboratory certified it. Append-only: a wrong entry is superseded."""

    instrument = TenantForeignKey(Instrument, models.PROTECT, related_name="certificates")
    number = models.CharField(max_length=80)
    laboratory = models.CharField(max_length=160)
    accreditation = models.CharField(max_length=80, blank=True)
    calibrated_on = models.DateField()
    due_on = models.DateField()
    supersedes = TenantForeignKey("self", models.PROTECT, null=True, blank=True, related_name="superseded_by")
    entered_by = TenantForeignKey(Member, models.PROTECT, null=True, blank=True, related_name="+")
    entered_at = models.DateTimeField(auto_now_add=True)
    digest = models.CharField(max_length=64, help_text="SHA-256 of the certificate's content.")

    class Meta(TenantModel.Meta):
        constraints = [
            models.CheckConstraint(
                condition=models.Q(due_on__gt=models.F("calibrated_on")), name="certificate_dates"
            ),
            AppendOnly(name="certificate_append_only"),
        ]
        indexes = [
            models.Index(fields=["company", "instrument", "calibrated_on"], name="certificate_by_date")
        ]

    def __str__(self) -> str:
        return self.number


class CertificatePoint(TenantModel):
    """One point of a certificate, SI: the reference's value, what the instrument showed, U with k."""

    certificate = TenantForeignKey(Certificate, models.PROTECT, related_name="points")
    quantity = models.TextField(choices=Quantity.choices)
    reference = models.FloatField()
    as_found = models.FloatField(null=True, blank=True)
    as_left = models.FloatField()
    expanded_uncertainty = models.FloatField()
    coverage_factor = models.FloatField(default=2.0)
    entered = models.CharField(
        max_length=160, blank=True, help_text="As the certificate prints it, with unit."
    )

    class Meta(TenantModel.Meta):
        constraints = [
            models.CheckConstraint(
                condition=models.Q(expanded_uncertainty__gt=0, coverage_factor__gt=0),
                name="certificate_point_u",
            ),
            AppendOnly(name="certificate_point_append_only"),
        ]
        indexes = [models.Index(fields=["company", "certificate"], name="certificate_point_of")]


class FileKind(models.TextChoices):
    """What an attached file is, by its content."""

    PDF = "pdf", gettext_noop("PDF")
    PNG = "png", gettext_noop("PNG picture")
    JPEG = "jpeg", gettext_noop("JPEG picture")
    XML = "xml", gettext_noop("XML")


class CertificateFile(TenantModel):
    """A file that came with a certificate, such as its scan. Append-only; its SHA-256 is in the
    certificate's digest."""

    certificate = TenantForeignKey(Certificate, models.PROTECT, related_name="files")
    name = models.CharField(max_length=120, help_text="As it was called where it came from.")
    kind = models.TextField(choices=FileKind.choices)
    size = models.PositiveIntegerField(help_text="Bytes.")
    sha256 = models.CharField(max_length=64)
    stored = models.CharField(max_length=200, help_text="Its place in the storage.")

    class Meta(TenantModel.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["company", "certificate", "sha256"], name="certificate_file_once"
            ),
            AppendOnly(name="certificate_file_append_only"),
        ]

    def __str__(self) -> str:
        return self.name


class CalibrationNotice(TenantModel):
    """That a member is told of a calibration at one stage, such as 30 days before its end; once each."""

    member = TenantForeignKey(Member, models.CASCADE, related_name="+")
    about = models.UUIDField(help_text="The certificate, or the instrument that has none.")
    stage = models.CharField(max_length=20)
    made_at = models.DateTimeField(auto_now_add=True)
    sent_at = models.DateTimeField(null=True, blank=True, help_text="Empty: its mail is due.")

    class Meta(TenantModel.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["company", "member", "about", "stage"], name="calibration_notice_once"
            )
        ]
