"""The usual way to take many readings, a list serializer and bulk_create, behind the same sign-in."""

from typing import Any

from django.urls import include, path
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from config.health import live
from jobs.access import Action
from jobs.http.door import Door
from jobs.models import Quantity
from measurements.models import Reading


class PeerReading(serializers.Serializer):
    """Checks what ours checks of a row, less the conversion of units."""

    id = serializers.UUIDField()
    session_id = serializers.UUIDField()
    instrument_id = serializers.UUIDField()
    run = serializers.IntegerField(min_value=1, max_value=99)
    line = serializers.IntegerField(min_value=1, max_value=200)
    point = serializers.IntegerField(min_value=1, max_value=200)
    quantity = serializers.ChoiceField(Quantity.choices)
    value = serializers.FloatField()
    entered = serializers.CharField(max_length=24)
    unit = serializers.CharField(max_length=24)
    taken_at = serializers.DateTimeField()


def take(data: Any) -> int:
    """Checks and stores rows; known ids are left alone."""
    checked = PeerReading(data=data, many=True)
    checked.is_valid(raise_exception=True)
    rows = [Reading(**row) for row in checked.validated_data]
    return len(Reading.objects.bulk_create(rows, ignore_conflicts=True))


class PeerReadings(Door):
    needs = {"POST": Action.MEASURE}

    def post(self, request: Request) -> Response:
        return Response({"stored": take(request.data)})


urlpatterns = [
    path("healthz", live),
    path("peer/readings", PeerReadings.as_view()),
    path("api/v1/", include("measurements.rest.urls")),
]
