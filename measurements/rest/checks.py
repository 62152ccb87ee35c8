"""Doors of the checks in the house: zero, and comparison of two instruments."""

from typing import Any
from uuid import UUID

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.access import Action
from jobs.errors import NotFound
from jobs.http.door import Door, Strict
from jobs.http.idempotency import Repeatable
from jobs.models import Quantity
from jobs.queries import visible_instruments
from jobs.rest import examples as ids
from jobs.rest.fields import Figure, FigureField
from measurements.interval_checks import MOST_READINGS, Shown, record_check, visible_checks
from measurements.models import CheckKind, CheckOutcome, IntervalCheck

EXAMPLE = {
    "kind": "comparison",
    "quantity": "pressure",
    "at": "2026-03-02T09:30:00+01:00",
    "unit": "Pa",
    "readings": ["91.2", "90.8", "91.0"],
    "other": ids.SECOND_MANOMETER,
    "other_readings": ["90.1", "90.3", "90.2"],
    "note": "Both on one hose of the test stand",
}


class CheckIn(Strict):
    """A check as it was read. Readings are figures as shown, all in one unit."""

    kind = serializers.ChoiceField(CheckKind.choices)
    quantity = serializers.ChoiceField(Quantity.choices)
    at = serializers.DateTimeField(help_text="When it was read, with its offset.")
    unit = serializers.CharField(max_length=40)
    readings = serializers.ListField(child=FigureField(), min_length=1, max_length=MOST_READINGS)
    other = serializers.UUIDField(required=False, help_text="The other instrument of a comparison.")
    other_readings = serializers.ListField(
        child=FigureField(), required=False, min_length=1, max_length=MOST_READINGS
    )
    common = FigureField(
        required=False,
        help_text="Part of both expanded uncertainties (k = 2) with one cause; left out of En.",
    )
    note = serializers.CharField(required=False, allow_blank=True, max_length=2000)
    supersedes = serializers.UUIDField(required=False, help_text="The check that this one puts right.")
    why = serializers.CharField(required=False, max_length=2000, help_text="Why it supersedes.")

    class Meta:
        ref_name = "IntervalCheckIn"


class CheckOut(serializers.Serializer):
    """A check with what follows from it. SI; U with k = 2."""

    id = serializers.UUIDField()
    instrument = serializers.UUIDField(source="instrument_id")
    other = serializers.UUIDField(source="other_id", allow_null=True)
    kind = serializers.ChoiceField(CheckKind.choices)
    quantity = serializers.ChoiceField(Quantity.choices)
    at = serializers.DateTimeField()
    member = serializers.UUIDField(source="member_id")
    entered_at = serializers.DateTimeField()
    readings = serializers.JSONField()
    value = serializers.FloatField()
    value_expanded = serializers.FloatField()
    other_value = serializers.FloatField(allow_null=True)
    other_expanded = serializers.FloatField(allow_null=True)
    common_expanded = serializers.FloatField(allow_null=True)
    en = serializers.FloatField(allow_null=True, help_text="Both agree when its magnitude is 1 or less.")
    limit = serializers.FloatField(allow_null=True)
    outcome = serializers.ChoiceField(CheckOutcome.choices)
    reason = serializers.CharField()
    note = serializers.CharField()
    supersedes = serializers.UUIDField(source="supersedes_id", allow_null=True)
    superseded_by = serializers.SerializerMethodField()
    why = serializers.CharField()

    class Meta:
        ref_name = "IntervalCheck"

    def get_superseded_by(self, row: IntervalCheck) -> str | None:
        later = next(iter(row.superseded_by.all()), None)
        return str(later.id) if later else None


class IntervalChecks(Repeatable, Door):
    """Checks of one instrument, newest first."""

    needs = {"GET": Action.READ, "POST": Action.MEASURE}
    serializer_class = CheckOut
    newest_first = True

    @extend_schema(
        operation_id="interval_check_list", tags=["instruments"], responses={200: CheckOut(many=True)}
    )
    def get(self, request: Request, instrument_id: UUID) -> Response:
        """Checks in the house, superseded ones too."""
        self.filters()
        if not visible_instruments(self.actor).filter(id=instrument_id).exists():
            raise NotFound()
        return self.page(visible_checks(self.actor).filter(instrument=instrument_id), CheckOut)

    @extend_schema(
        operation_id="interval_check_add",
        tags=["instruments"],
        request=CheckIn,
        responses={201: CheckOut},
        examples=ids.sent("Two manometers on one pressure", EXAMPLE),
    )
    def post(self, request: Request, instrument_id: UUID) -> Response:
        """Enter a zero check, or a comparison of two instruments on one flow."""
        given = self.read(CheckIn)
        made = record_check(self.actor, instrument_id=instrument_id, **fields_of(given))
        return Response(CheckOut(made).data, status=201)


def fields_of(given: dict[str, Any]) -> dict[str, Any]:
    """The action's words for checked input."""
    unit = given["unit"]
    common = given.get("common")
    return {
        "kind": given["kind"],
        "quantity": given["quantity"],
        "at": given["at"],
        "readings": _shown(given["readings"], unit),
        "other_id": given.get("other"),
        "other_readings": _shown(given.get("other_readings", ()), unit),
        "common": Shown(common.text, unit) if common else None,
        "note": given.get("note", ""),
        "supersedes_id": given.get("supersedes"),
        "why": given.get("why", ""),
    }


def _shown(figures: Any, unit: str) -> list[Shown]:
    found: list[Figure] = list(figures)
    return [Shown(one.text, unit) for one in found]
