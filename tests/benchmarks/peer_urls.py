"""Peers behind the same sign-in: the usual way to take many readings; a nested read by the database."""

from typing import Any
from uuid import UUID

import psycopg
from django.db import connection
from django.http import HttpResponse
from django.urls import include, path
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from config.graphql import schema
from config.health import live
from jobs.access import Action
from jobs.http.door import Door
from jobs.http.graphql import Graph
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


LEDGER = """(SELECT json_build_object('value', json_build_object('value', r.value,
    'expandedUncertainty', r.value_expanded, 'unit', r.measurand), 'verdict', r.verdict,
    'shareOfDesign', json_build_object('value', r.share_of_design, 'expandedUncertainty', r.share_expanded))
  FROM measurements_result r WHERE r.company_id = s.company_id AND r.session_id = s.id
  ORDER BY r.computed_at DESC, r.id DESC LIMIT 1)"""
SERIES = """, 'readings', (SELECT json_build_object('run', json_agg(v.run), 'line', json_agg(v.line),
    'point', json_agg(v.point), 'quantity', json_agg(v.quantity), 'value', json_agg(v.value),
    'entered', json_agg(v.entered), 'unit', json_agg(v.unit), 'takenAt', json_agg(v.taken_at))
  FROM (SELECT * FROM measurements_reading v WHERE v.company_id = s.company_id AND v.session_id = s.id
    ORDER BY v.run, v.line, v.point, v.taken_at, v.id) v)"""
NESTED = """SELECT json_build_object('number', j.number, 'title', j.title, 'status', j.status, 'systems',
  (SELECT json_agg(json_build_object('tag', y.tag, 'name', y.name, 'points',
    (SELECT json_agg(json_build_object('tag', p.tag, 'kind', p.kind, 'sessions',
      (SELECT json_agg(json_build_object('uuid', s.id, 'method', s.method, 'startedAt', s.started_at,
        'finishedAt', s.finished_at, 'result', {ledger} {series}) ORDER BY s.id)
       FROM measurements_session s WHERE s.company_id = p.company_id AND s.test_point_id = p.id))
      ORDER BY p.id)
     FROM jobs_testpoint p WHERE p.company_id = y.company_id AND p.system_id = y.id)) ORDER BY y.id)
   FROM jobs_jobsystem js JOIN jobs_system y ON y.company_id = js.company_id AND y.id = js.system_id
   WHERE js.company_id = j.company_id AND js.job_id = j.id))::text
  FROM jobs_job j WHERE j.company_id = %s AND j.id = %s"""
BRIEF = NESTED.format(ledger=LEDGER, series="")
WHOLE = NESTED.format(ledger=LEDGER, series=SERIES)


class PeerNested(Door):
    """A job with systems, points, sessions and results, made whole by the database."""

    needs = {"GET": Action.READ}

    def get(self, request: Request, job_id: UUID) -> HttpResponse:
        connection.ensure_connection()
        cursor = psycopg.Cursor(connection.connection)
        statement = WHOLE if "readings" in request.query_params else BRIEF
        cursor.execute(statement.encode(), (self.actor.company_id, job_id), prepare=True)
        (text,) = cursor.fetchone() or ("null",)
        return HttpResponse(text, content_type="application/json")


urlpatterns = [
    path("healthz", live),
    path("peer/readings", PeerReadings.as_view()),
    path("peer/nested/<uuid:job_id>", PeerNested.as_view()),
    path("graphql", Graph.as_view(schema=schema), name="graphql"),
    path("api/v1/", include("measurements.rest.urls")),
]
