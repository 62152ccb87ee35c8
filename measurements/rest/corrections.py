"""Doors of clerical corrections and of voiding a session."""

from typing import Any
from uuid import UUID

from drf_spectacular.utils import OpenApiResponse, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.access import Action
from jobs.http.door import Door, Strict, seen_tag, tagged
from jobs.http.idempotency import Repeatable
from jobs.http.schema import MATCH_PARAMETER
from jobs.models import Quantity
from jobs.rest import examples as ids
from jobs.rest.fields import AnyJson
from measurements import correct, queries
from measurements.corrected import MOST_CHANGES, Change, UnitChange
from measurements.rest.serializers import SessionDetailOut, VoidNoteOut

REFUSALS = {
    409: OpenApiResponse(description="Superseded or void by now; the newest is named"),
    412: OpenApiResponse(description="Not the session that was seen"),
    428: OpenApiResponse(description="If-Match is missing"),
}
EXAMPLE: dict[str, Any] = {
    "reason": "Width was taken from the drawing; the duct is 400 mm wide.",
    "changes": [
        {"path": "/plane/width", "value": {"value": "400", "unit": "mm"}},
        {"path": "/instruments/pressure", "value": ids.SECOND_MANOMETER},
    ],
    "units": [{"quantity": "pressure", "unit": "mm[H2O]"}],
}


class ChangeIn(Strict):
    path = serializers.CharField(
        max_length=200,
        help_text="JSON pointer into the session as posted: /test_point, /instruments/USE, /plane/…, "
        "/conditions/…, /told/…, /zero_checks/N/unit, /readings/N/unit, /sweeps/N/unit.",
    )
    value = AnyJson(allow_null=True, help_text="As in a post; null takes it away.")

    class Meta:
        ref_name = "CorrectionChange"


class UnitChangeIn(Strict):
    """The unit of all readings or sweeps of a quantity; the digits stay."""

    quantity = serializers.ChoiceField(Quantity.choices)
    unit = serializers.CharField(max_length=24)
    place = serializers.CharField(
        max_length=40, required=False, allow_blank=True, help_text="Only of this place of the method."
    )

    class Meta:
        ref_name = "CorrectionUnit"


class CorrectionIn(Strict):
    """What was wrong and what is right. No figure that an instrument showed can be named."""

    reason = serializers.CharField(help_text="10 to 2,000 characters.")
    changes = ChangeIn(many=True, required=False, max_length=MOST_CHANGES)  # type: ignore[call-arg]
    units = UnitChangeIn(many=True, required=False, max_length=100)  # type: ignore[call-arg]

    class Meta:
        ref_name = "CorrectionIn"


class VoidIn(Strict):
    reason = serializers.CharField(help_text="10 to 2,000 characters.")
    further = serializers.BooleanField(required=False, help_text="A note to a session that is void already.")

    class Meta:
        ref_name = "VoidIn"


class SessionCorrections(Repeatable, Door):
    """Clerical corrections of a session."""

    needs = {"POST": Action.REVIEW}
    serializer_class = CorrectionIn

    @extend_schema(
        operation_id="session_correct",
        tags=["measurements"],
        parameters=[MATCH_PARAMETER],
        request=CorrectionIn,
        examples=ids.sent("Width and manometer", EXAMPLE),
        responses={201: SessionDetailOut, **REFUSALS},
    )
    def post(self, request: Request, session_id: UUID) -> Response:
        """Store the session as it is right, superseding this one, with the digits as they were shown.

        It is checked as a post is, and evaluated anew. If-Match holds the content digest of the session as
        you saw it, which is its ETag. The person who measured may not correct it, unless the company allows.
        """
        given = self.read(CorrectionIn)
        made = correct.correct(
            self.actor,
            session_id,
            seen_digest=seen_tag(request),
            **changes_of(given),
        )
        session = queries.visible_sessions(self.actor).get(id=made.session_id)
        context = {**self.get_serializer_context(), "flags": []}
        answer = tagged(SessionDetailOut(session, context=context).data, session.content_digest, 201)
        answer["Location"] = request.build_absolute_uri(f"/api/v1/sessions/{session.id}")
        return answer


def changes_of(given: dict[str, Any]) -> dict[str, Any]:
    """The action's words for checked input."""
    units = given.get("units", ())
    return {
        "reason": given["reason"],
        "changes": [Change(one["path"], one["value"]) for one in given.get("changes", ())],
        "units": [UnitChange(one["quantity"], one["unit"], one.get("place")) for one in units],
    }


class SessionVoids(Repeatable, Door):
    """Notes that make a session void."""

    needs = {"POST": Action.REVIEW}
    serializer_class = VoidIn

    @extend_schema(
        operation_id="session_void",
        examples=ids.sent("Another point was read", {"reason": "The hood stood on the neighbouring outlet."}),
        tags=["measurements"],
        parameters=[MATCH_PARAMETER],
        request=VoidIn,
        responses={201: VoidNoteOut, **REFUSALS},
    )
    def post(self, request: Request, session_id: UUID) -> Response:
        """Make the session count nowhere. It stays visible with the reason; its point is to be done again.

        What it superseded does not count again. A void cannot be taken back: measure again, or add a further
        note.
        """
        given = self.read(VoidIn)
        note = correct.void(
            self.actor,
            session_id,
            seen_digest=seen_tag(request),
            reason=given["reason"],
            further=given.get("further", False),
        )
        return Response(VoidNoteOut(note).data, status=201)
