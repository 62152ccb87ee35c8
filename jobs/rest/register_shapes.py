"""Shapes of customers, sites, systems and points at the door."""

from typing import Any

from rest_framework import serializers

from jobs.http.door import Strict
from jobs.models import Customer, DensityBasis, PointKind, Shape, Site, System, SystemKind, TestPoint
from jobs.rest.fields import Design, DesignField, FlowField, LengthField, si


class CustomerIn(Strict):
    name = serializers.CharField(max_length=160)
    contact_name = serializers.CharField(max_length=120, allow_blank=True, required=False)
    contact_email = serializers.EmailField(max_length=254, allow_blank=True, required=False)
    address = serializers.CharField(max_length=600, allow_blank=True, required=False)


class CustomerOut(serializers.ModelSerializer):
    class Meta:
        model = Customer
        fields = ["id", "name", "contact_name", "contact_email", "address", "created_at", "version"]


class SiteChange(Strict):
    name = serializers.CharField(max_length=160)
    address = serializers.CharField(max_length=600, allow_blank=True, required=False)
    elevation = LengthField(required=False, help_text="Above sea level; stands in for a barometer.")
    time_zone = serializers.CharField(
        max_length=64, required=False, help_text="IANA name, e.g. Europe/Paris."
    )


class SiteIn(SiteChange):
    customer = serializers.UUIDField()


class SiteOut(serializers.ModelSerializer):
    customer = serializers.UUIDField(source="customer_id")
    customer_name = serializers.CharField(source="customer.name")
    elevation = LengthField(source="elevation_m")

    class Meta:
        model = Site
        fields = [
            *("id", "customer", "customer_name", "name", "address"),
            *("elevation", "time_zone", "created_at", "version"),
        ]


class SystemChange(Strict):
    tag = serializers.CharField(max_length=40)
    name = serializers.CharField(max_length=160, allow_blank=True, required=False)
    kind = serializers.ChoiceField(SystemKind.choices, required=False)


class SystemIn(SystemChange):
    site = serializers.UUIDField()


class SystemOut(serializers.ModelSerializer):
    site = serializers.UUIDField(source="site_id")

    class Meta:
        model = System
        fields = ["id", "site", "tag", "name", "kind", "created_at", "version"]


class PointChange(Strict):
    tag = serializers.CharField(max_length=40)
    kind = serializers.ChoiceField(PointKind.choices)
    parent = serializers.UUIDField(  # type: ignore[assignment]  # a declared field, not the attribute
        allow_null=True, required=False, help_text="The point upstream, of the same system."
    )
    location = serializers.CharField(max_length=200, allow_blank=True, required=False)
    shape = serializers.ChoiceField(Shape.choices, allow_blank=True, required=False)
    width = LengthField(allow_null=True, required=False)
    height = LengthField(allow_null=True, required=False)
    diameter = LengthField(allow_null=True, required=False)
    design_flow = FlowField(allow_null=True, required=False)
    design_basis = serializers.ChoiceField(DensityBasis.choices, required=False)
    design = DesignField(allow_null=True, required=False, help_text="Of something else than a flow.")
    tolerance_below = serializers.FloatField(
        allow_null=True, required=False, help_text="Share, 0.1 for 10 %."
    )
    tolerance_above = serializers.FloatField(
        allow_null=True, required=False, help_text="Share, 0.1 for 10 %."
    )


class PointIn(PointChange):
    system = serializers.UUIDField()


class PointOut(serializers.ModelSerializer):
    system = serializers.UUIDField(source="system_id")
    parent = serializers.UUIDField(  # type: ignore[assignment]
        source="parent_id", allow_null=True
    )
    width = LengthField(source="width_m", allow_null=True)
    height = LengthField(source="height_m", allow_null=True)
    diameter = LengthField(source="diameter_m", allow_null=True)
    design_flow = FlowField(allow_null=True)
    design = DesignField(read_only=True)

    class Meta:
        model = TestPoint
        fields = [
            *("id", "system", "parent", "tag", "kind", "location", "shape", "width", "height", "diameter"),
            *("design_flow", "design_entered", "design_basis", "design"),
            *("tolerance_below", "tolerance_above"),
            *("position", "created_at", "version"),
        ]


def site_fields(data: dict[str, Any]) -> dict[str, Any]:
    """Checked input by the names of the action."""
    fields = dict(data)
    if "elevation" in fields:
        fields["elevation_m"] = si(fields.pop("elevation"))
    return fields


def point_fields(data: dict[str, Any]) -> dict[str, Any]:
    """Checked input by the names of the action; a design flow brings how it was entered."""
    fields = {name: value for name, value in data.items() if name not in _MEASURES}
    for name in ("width", "height", "diameter"):
        if name in data:
            fields[f"{name}_m"] = si(data[name])
    if "design_flow" in data:
        measure = data["design_flow"]
        fields |= {"design_flow": si(measure), "design_entered": measure.entered if measure else ""}
    if "design" in data:
        design = data["design"] or Design("", None, None, None)
        fields |= {"design_of": design.of, "design_value": design.value}
        fields |= {"limit_low": design.low, "limit_high": design.high}
    if "parent" in data:
        fields["parent_id"] = data["parent"]
    return fields


_MEASURES = ("width", "height", "diameter", "design_flow", "design", "parent")
