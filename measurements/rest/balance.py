"""Where the balancing of a system stands, for tablets and whoever looks after it."""

from uuid import UUID

from drf_spectacular.utils import OpenApiParameter, OpenApiTypes, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.access import Action
from jobs.http.door import Door, etag
from measurements.balance import balance_of, material_of
from measurements.balancing.content import content
from measurements.rest.field import _tags


class SystemBalance(Door):
    """The balance of one system of a job."""

    needs = {"GET": Action.READ}
    serializer_class = serializers.Serializer

    @extend_schema(
        operation_id="field_system_balance",
        tags=["field"],
        parameters=[
            OpenApiParameter("If-None-Match", str, OpenApiParameter.HEADER, description="The ETag seen last.")
        ],
        responses={(200, "application/json"): OpenApiTypes.OBJECT, 304: None},
    )
    def get(self, request: Request, job_id: UUID, system_id: UUID) -> Response:
        """The branch tree with each outlet's rounds and shares, the plan of adjustments (which damper next,
        set to what, read where), what must be read again, and the fan's change within its limits. SI.

        Answers 304 without a body when nothing changed since the ETag in If-None-Match.
        """
        material = material_of(self.actor, job_id, system_id)
        tag = etag(material.digest)
        headers = {"ETag": tag, "Cache-Control": "private, no-cache"}
        if tag in _tags(request.headers.get("If-None-Match", "")):
            return Response(status=304, headers=headers)
        return Response(content(balance_of(material)), headers=headers)
