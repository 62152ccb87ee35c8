"""What a tablet uses: its worklist and its posts."""

from collections.abc import Callable
from typing import Any
from uuid import UUID

from drf_spectacular.utils import OpenApiExample, OpenApiParameter, OpenApiTypes, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.access import Action
from jobs.http.door import Door, etag
from jobs.http.idempotency import Repeatable
from jobs.rest import examples as ids
from measurements import intake
from measurements.overview import pulse, standing_of, visible_job
from measurements.rest.standing import JobStateOut, content_of
from measurements.worklist import worklist

STATE_SHAPE = 1
"""Another number when the answer of a job's state is shaped otherwise."""


class FaultOut(serializers.Serializer):
    pointer = serializers.CharField(help_text="JSON pointer into the batch.")
    detail = serializers.CharField()

    class Meta:
        ref_name = "BatchFault"


class OutcomeOut(serializers.Serializer):
    session = serializers.UUIDField(allow_null=True, help_text="Null when its id cannot be read.")
    outcome = serializers.ChoiceField([intake.STORED, intake.ALREADY, intake.OTHER, intake.REFUSED])
    errors = FaultOut(many=True)  # type: ignore[assignment]

    class Meta:
        ref_name = "SessionOutcome"


class BatchAnswer(serializers.Serializer):
    """One outcome for each session posted, in the same order."""

    outcomes = OutcomeOut(many=True)


BATCH_EXAMPLE: dict[str, Any] = {
    "sent_at": "2026-03-02T09:41:07+01:00",
    "sessions": [
        {
            "id": ids.NEW_SESSION,
            "job": ids.JOB,
            "test_point": ids.POINT,
            "method": "hood_reading",
            "started_at": "2026-03-02T09:38:00+01:00",
            "finished_at": "2026-03-02T09:40:00+01:00",
            "conditions": {"air_temperature": {"value": "21.4", "unit": "Cel"}},
            "instruments": {"hood": ids.HOOD},
            "readings": [
                {
                    "run": 1, "line": 1, "point": 1, "quantity": "flow",
                    "value": "88.5", "unit": "L/s", "taken_at": "2026-03-02T09:39:12+01:00",
                }
            ],
        }
    ],
}  # fmt: skip
ANSWER_EXAMPLE = {"outcomes": [{"session": ids.NEW_SESSION, "outcome": "stored", "errors": []}]}


class FieldBatches(Repeatable, Door):
    """Batches of sessions from a tablet, in the name of the person signed in on it."""

    needs = {"POST": Action.MEASURE}
    serializer_class = BatchAnswer

    @extend_schema(
        operation_id="field_batch_post",
        tags=["field"],
        request=OpenApiTypes.OBJECT,
        responses={200: BatchAnswer},
        examples=[
            *ids.sent("A flow hood reading", BATCH_EXAMPLE),
            OpenApiExample("Stored", ANSWER_EXAMPLE, response_only=True),
        ],
    )
    def post(self, request: Request) -> Response:
        """Post readings. Each session is stored whole or refused with the place of each fault.

        A repeat is harmless: sessions already stored are told so. Values are text with the digits shown,
        or numbers; units are UCUM codes or the trade's symbols; times carry their offset. At most 10 MB,
        200 sessions and 5,000 readings and sweeps in a batch.
        """
        outcomes = intake.post_batch(self.actor, request._request.body)
        return Response({"outcomes": [outcome.as_json() for outcome in outcomes]})


class FieldWorklist(Door):
    """The work of the person signed in on the tablet."""

    needs = {"GET": Action.MEASURE}
    serializer_class = serializers.Serializer

    @extend_schema(
        operation_id="field_worklist",
        tags=["field"],
        parameters=[
            OpenApiParameter("If-None-Match", str, OpenApiParameter.HEADER, description="The ETag seen last.")
        ],
        responses={(200, "application/json"): OpenApiTypes.OBJECT, 304: None},
    )
    def get(self, request: Request) -> Response:
        """All that measuring needs without network: jobs, points, layouts with insertion depths, tolerances,
        instruments with their certificates, and open requests for re-measurement. Lengths in m, SI.

        Answers 304 without a body when nothing changed since the ETag in If-None-Match.
        """
        found = worklist(self.actor)
        return _unless_seen(request, found.digest, lambda: found.content)


class FieldJobState(Door):
    """How a job stands, for the person signed in on the tablet."""

    needs = {"GET": Action.MEASURE}
    serializer_class = JobStateOut

    @extend_schema(
        operation_id="field_job_state",
        tags=["field"],
        parameters=[
            OpenApiParameter("If-None-Match", str, OpenApiParameter.HEADER, description="The ETag seen last.")
        ],
        responses={200: JobStateOut, 304: None},
    )
    def get(self, request: Request, job_id: UUID) -> Response:
        """What the service has of a job: sessions with their figures and open flags, how far each point is,
        and what is missing to hand it over.

        Answers 304 without a body when nothing changed since the ETag in If-None-Match.
        """
        job = visible_job(self.actor, job_id)
        seen = f"{STATE_SHAPE}-{pulse(job.id)}"  # before the content: what comes in between is told next time
        return _unless_seen(request, seen, lambda: content_of(standing_of(job)))


def _unless_seen(request: Request, version: str, content: Callable[[], dict[str, Any]]) -> Response:
    """The content, or 304 for who has this version already."""
    tag = etag(version)
    headers = {"ETag": tag, "Cache-Control": "private, no-cache"}
    if tag in _tags(request.headers.get("If-None-Match", "")):
        return Response(status=304, headers=headers)
    return Response(content(), headers=headers)


def _tags(header: str) -> set[str]:
    return {tag.strip().removeprefix("W/") for tag in header.split(",")}
