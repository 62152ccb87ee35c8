"""Doors of instruments and their certificates."""

from datetime import date, timedelta
from uuid import UUID

from django.shortcuts import get_object_or_404
from django.utils import timezone
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from jobs import instruments
from jobs.access import Action
from jobs.errors import Fault, Invalid
from jobs.http.door import Door, seen_version, tagged
from jobs.http.idempotency import Repeatable
from jobs.models import InstrumentKind
from jobs.queries import visible_instruments
from jobs.rest import instrument_shapes as shapes
from jobs.rest.answers import created, filter_parameters
from jobs.rest.examples import sent
from jobs.rest.fields import Known, matching, one_of, text, yes_or_no

DUE_DAYS = 60
INSTRUMENT_FILTERS: Known = {
    "kind": ("kind", one_of(InstrumentKind)),
    "in_service": ("in_service", yes_or_no),
    "serial": ("serial", text),
}
INSTRUMENT_EXAMPLE = {
    "serial": "M-2042",
    "name": "Digital manometer",
    "kind": "manometer",
    "ranges": [
        {
            "quantity": "pressure", "unit": "Pa", "minimum": "0", "maximum": "2500", "resolution": "0.1",
            "accuracy_absolute": "0.3", "accuracy_of_reading": 0.005,
        }
    ],
}  # fmt: skip


class Instruments(Repeatable, Door):
    needs = {"GET": Action.READ, "POST": Action.MANAGE_INSTRUMENTS}
    serializer_class = shapes.InstrumentOut

    @extend_schema(
        operation_id="instrument_list",
        tags=["instruments"],
        parameters=filter_parameters(
            kind=f"Only one kind: {', '.join(InstrumentKind.values)}.",
            in_service="true or false.",
            serial="Only the one with this serial number.",
        ),
        responses=shapes.InstrumentOut(many=True),
    )
    def get(self, request: Request) -> Response:
        """All instruments with their ranges, oldest first."""
        given = self.filters(*INSTRUMENT_FILTERS)
        rows = matching(visible_instruments(self.actor), given, INSTRUMENT_FILTERS)
        return self.page(rows, shapes.InstrumentOut)

    @extend_schema(
        operation_id="instrument_add",
        tags=["instruments"],
        request=shapes.InstrumentIn,
        responses={201: shapes.InstrumentOut},
        examples=sent("A manometer", INSTRUMENT_EXAMPLE),
    )
    def post(self, request: Request) -> Response:
        """Register an instrument with its ranges."""
        fields = shapes.instrument_fields(self.read(shapes.InstrumentIn))
        return created("instrument", instruments.add_instrument(self.actor, **fields), shapes.InstrumentOut)


class Instrument(Door):
    needs = {"GET": Action.READ, "PATCH": Action.MANAGE_INSTRUMENTS}
    serializer_class = shapes.InstrumentOut

    @extend_schema(operation_id="instrument_read", tags=["instruments"], responses=shapes.InstrumentOut)
    def get(self, request: Request, instrument_id: UUID) -> Response:
        """One instrument."""
        row = get_object_or_404(visible_instruments(self.actor), id=instrument_id)
        return tagged(shapes.InstrumentOut(row).data, row.version)

    @extend_schema(
        operation_id="instrument_change",
        examples=sent("Sent away for repair", {"name": "Digital manometer, low range", "in_service": False}),
        tags=["instruments"],
        request=shapes.InstrumentChange,
        responses=shapes.InstrumentOut,
    )
    def patch(self, request: Request, instrument_id: UUID) -> Response:
        """Change some fields; `ranges` replaces all ranges. `in_service: false` takes it out of planning."""
        seen = seen_version(request)
        changes = shapes.instrument_fields(self.read(shapes.InstrumentChange, partial=True))
        ranges = changes.pop("ranges", None)
        row = instruments.change_instrument(
            self.actor, instrument_id, seen=seen, changes=changes, ranges=ranges
        )
        return tagged(shapes.InstrumentOut(row).data, row.version)


class InstrumentsDue(Door):
    needs = {"GET": Action.READ}
    serializer_class = shapes.DueListOut
    pagination_class = None

    @extend_schema(
        operation_id="instrument_due",
        tags=["instruments"],
        parameters=[
            OpenApiParameter(
                "until", date, description=f"Last day looked at; {DUE_DAYS} days from today unless told."
            )
        ],
        responses=shapes.DueListOut,
    )
    def get(self, request: Request) -> Response:
        """Instruments in service that need a calibration: overdue, soon due, or never calibrated."""
        today = timezone.now().date()
        until = read_day(self.filters("until").get("until"), today + timedelta(days=DUE_DAYS))
        return Response(shapes.due_items(instruments.due_list(self.actor, on=today, until=until)))


def read_day(text: str | None, otherwise: date) -> date:
    """A day such as 2026-03-02. Raises Invalid."""
    try:
        return otherwise if text is None else date.fromisoformat(text)
    except ValueError:
        raise Invalid("'until' is a day, e.g. 2026-03-02.", [Fault("query:until", "is no day")]) from None
