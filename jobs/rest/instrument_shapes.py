"""Shapes of instruments and certificates at the door. In: any unit of the quantity. Out: SI."""

from typing import Any

from rest_framework import serializers

from jobs.attachments import MOST_BYTES, MOST_FILES
from jobs.certificate_lines import line_point
from jobs.http.door import Strict
from jobs.instruments import CertificateState, Due, Point, Range
from jobs.models import (
    Certificate,
    CertificateFile,
    CertificatePoint,
    Instrument,
    InstrumentKind,
    InstrumentRange,
    Quantity,
)
from jobs.rest.fields import SI, FigureField, LengthField, read_unit, si
from jobs.units import Figure


class RangeIn(Strict):
    """One range. `accuracy_of_reading` and `accuracy_of_span` are shares: 0.01 for 1 %."""

    quantity = serializers.ChoiceField(Quantity.choices)
    unit = serializers.CharField(
        max_length=40, help_text="Of minimum, maximum, resolution and accuracy_absolute."
    )
    minimum = FigureField()
    maximum = FigureField()
    resolution = FigureField()
    accuracy_absolute = FigureField(required=False)
    accuracy_of_reading = serializers.FloatField(required=False)
    accuracy_of_span = serializers.FloatField(required=False)

    def validate(self, data: dict[str, Any]) -> Range:  # type: ignore[override]
        """The range in SI. A share of a temperature's reading would depend on its scale and is refused."""
        quantity = Quantity(data["quantity"])
        if quantity is Quantity.TEMPERATURE and data.get("accuracy_of_reading"):
            raise serializers.ValidationError(
                {"accuracy_of_reading": ["Means nothing for a temperature; give accuracy_absolute."]}
            )
        unit = read_unit(data["unit"], quantity)
        return Range(
            quantity=quantity,
            minimum=unit.to_si(data["minimum"].value),
            maximum=unit.to_si(data["maximum"].value),
            resolution=unit.difference_to_si(data["resolution"].value),
            accuracy_absolute=unit.difference_to_si(data.get("accuracy_absolute", Figure(0.0, "0")).value),
            accuracy_of_reading=data.get("accuracy_of_reading", 0.0),
            accuracy_of_span=data.get("accuracy_of_span", 0.0),
        )


class RangeOut(serializers.ModelSerializer):
    unit = serializers.SerializerMethodField()

    class Meta:
        model = InstrumentRange
        fields = [
            *("quantity", "unit", "minimum", "maximum", "resolution"),
            *("accuracy_absolute", "accuracy_of_reading", "accuracy_of_span"),
        ]

    def get_unit(self, row: InstrumentRange) -> str:
        return SI[Quantity(row.quantity)]


class InstrumentIn(Strict):
    serial = serializers.CharField(max_length=60)
    name = serializers.CharField(max_length=120)
    kind = serializers.ChoiceField(InstrumentKind.choices)
    maker = serializers.CharField(max_length=120, allow_blank=True, required=False)
    probe_length = LengthField(allow_null=True, required=False)
    probe_factor = serializers.FloatField(allow_null=True, required=False)
    probe_factor_u = serializers.FloatField(
        allow_null=True, required=False, help_text="Standard uncertainty of the factor."
    )
    ranges = RangeIn(many=True, required=False)


class InstrumentChange(InstrumentIn):
    in_service = serializers.BooleanField(required=False)


class InstrumentOut(serializers.ModelSerializer):
    probe_length = LengthField(source="probe_length_m", allow_null=True)
    ranges = RangeOut(many=True)

    class Meta:
        model = Instrument
        fields = [
            *("id", "serial", "name", "kind", "maker", "in_service", "probe_length", "probe_factor"),
            *("probe_factor_u", "ranges", "created_at", "version"),
        ]


class CertificatePointIn(Strict):
    """One line of a certificate: what the reference was, what the instrument showed, U with its k."""

    quantity = serializers.ChoiceField(Quantity.choices)
    unit = serializers.CharField(max_length=40)
    reference = FigureField()
    as_found = FigureField(allow_null=True, required=False)
    as_left = FigureField()
    expanded_uncertainty = FigureField()
    coverage_factor = serializers.FloatField(required=False, help_text="k; 2 unless told.")

    def validate(self, data: dict[str, Any]) -> Point:  # type: ignore[override]
        """The line in SI, with its text as the certificate prints it."""
        quantity = Quantity(data["quantity"])
        return line_point(
            quantity,
            read_unit(data["unit"], quantity),
            reference=data["reference"],
            as_found=data.get("as_found"),
            as_left=data["as_left"],
            expanded_uncertainty=data["expanded_uncertainty"],
            coverage_factor=data.get("coverage_factor", 2.0),
        )


class CertificatePointOut(serializers.ModelSerializer):
    unit = serializers.SerializerMethodField()

    class Meta:
        model = CertificatePoint
        fields = [
            *("quantity", "unit", "reference", "as_found", "as_left"),
            *("expanded_uncertainty", "coverage_factor", "entered"),
        ]

    def get_unit(self, row: CertificatePoint) -> str:
        return SI[Quantity(row.quantity)]


class CertificateHead(Strict):
    """What is said of a certificate, without its lines."""

    number = serializers.CharField(max_length=80)
    laboratory = serializers.CharField(max_length=160)
    accreditation = serializers.CharField(max_length=80, allow_blank=True, required=False)
    calibrated_on = serializers.DateField()
    due_on = serializers.DateField(help_text="The last day on which it holds.")
    supersedes = serializers.UUIDField(
        allow_null=True, required=False, help_text="The wrong entry that this one puts right."
    )


class CertificateIn(CertificateHead):
    points = CertificatePointIn(many=True)


class CertificateForm(serializers.Serializer):
    """A certificate with files, as a form of several parts."""

    certificate = serializers.CharField(
        help_text="The JSON of a certificate, with `points` unless the part `points` brings them."
    )
    points = serializers.FileField(required=False, help_text="The lines as a CSV or XLSX table.")
    file = serializers.FileField(
        required=False, help_text=f"PDF, PNG, JPEG or XML, at most {MOST_BYTES >> 20} MB; up to {MOST_FILES}."
    )


class CertificateFileOut(serializers.ModelSerializer):
    """A file that came with the certificate, by its content; its SHA-256 is in the certificate's digest."""

    class Meta:
        model = CertificateFile
        fields = ["id", "name", "kind", "size", "sha256"]


class CertificateOut(serializers.ModelSerializer):
    instrument = serializers.UUIDField(source="instrument_id")
    supersedes = serializers.UUIDField(source="supersedes_id", allow_null=True)
    superseded_by = serializers.SerializerMethodField()
    points = CertificatePointOut(many=True)
    files = CertificateFileOut(many=True)

    class Meta:
        model = Certificate
        fields = [
            *("id", "instrument", "number", "laboratory", "accreditation", "calibrated_on", "due_on"),
            *("supersedes", "superseded_by", "entered_at", "digest", "points", "files"),
        ]

    def get_superseded_by(self, row: Certificate) -> str | None:
        later = next(iter(row.superseded_by.all()), None)
        return str(later.id) if later else None


class DueOut(serializers.Serializer):
    """An instrument and a quantity of it, with the certificate that counts."""

    instrument = serializers.UUIDField(source="instrument.id")
    serial = serializers.CharField(source="instrument.serial")
    name = serializers.CharField(source="instrument.name")
    quantity = serializers.ChoiceField(Quantity.choices)
    state = serializers.ChoiceField([(state.value, state.value) for state in CertificateState])
    due_on = serializers.DateField(allow_null=True)
    certificate = serializers.SerializerMethodField(help_text="Its id; null without one.")

    def get_certificate(self, row: Due) -> str | None:
        return str(row.certificate.id) if row.certificate else None


class DueListOut(serializers.Serializer):
    items = DueOut(many=True)


def due_items(rows: list[Due]) -> Any:
    return {"items": DueOut(rows, many=True).data}


def instrument_fields(data: dict[str, Any]) -> dict[str, Any]:
    """Checked input by the names of the action."""
    fields = dict(data)
    if "probe_length" in fields:
        fields["probe_length_m"] = si(fields.pop("probe_length"))
    return fields
