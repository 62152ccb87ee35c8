"""Doors to the company's settings and its log."""

import re

from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from jobs import companies
from jobs.access import Action
from jobs.http.door import Door, seen_version, tagged
from jobs.http.paging import Keyset, read_number
from jobs.models import Company
from jobs.queries import visible_events
from jobs.rest import serializers_people as shapes
from jobs.rest.examples import sent
from jobs.rest.fields import Known, matching, uuid

VERB = re.compile(r"[a-z_]{1,40}\.[a-z_]{1,40}")


class CompanyDoor(Door):
    needs = {"GET": Action.READ, "PATCH": Action.MANAGE_COMPANY}
    serializer_class = shapes.CompanyOut

    @extend_schema(operation_id="company", tags=["company"], responses=shapes.CompanyOut)
    def get(self, request: Request) -> Response:
        """The rules of the house."""
        made = Company.objects.get()
        return tagged(shapes.CompanyOut(made).data, made.version)

    @extend_schema(
        operation_id="company_change",
        tags=["company"],
        request=shapes.CompanyIn,
        responses=shapes.CompanyOut,
        examples=sent("Guard band", {"decision_rule": "guarded", "decision_parameter": 1.0}),
    )
    def patch(self, request: Request) -> Response:
        """Changes settings. What was measured and approved before keeps the settings it had."""
        seen, changes = seen_version(request), self.read(shapes.CompanyIn)
        made = companies.change_company(self.actor, seen, changes)
        return tagged(shapes.CompanyOut(made).data, made.version)


class ByNumber(Keyset):
    """Pages of the log, by number."""

    column = "number"
    schema_of_column = {"type": "integer", "minimum": 0}

    def read(self, text: str) -> int:
        return read_number(text)


def read_verb(text: str) -> str:
    """A verb's text, e.g. session.stored. Raises ValueError."""
    if not VERB.fullmatch(text):
        raise ValueError(text)
    return text


EVENT_FILTERS: Known = {"subject": ("event__subject_id", uuid), "verb": ("event__verb", read_verb)}


class Events(Door):
    needs = {"GET": Action.READ}
    serializer_class = shapes.EventOut
    pagination_class = ByNumber

    @extend_schema(
        operation_id="event_list",
        tags=["company"],
        parameters=[
            OpenApiParameter("subject", str, description="Only what happened to one thing, by its id."),
            OpenApiParameter("verb", str, description="Only one kind, e.g. session.stored."),
        ],
        responses=shapes.EventOut(many=True),
    )
    def get(self, request: Request) -> Response:
        """The company's log in its order, without gaps. Keep the last number and ask again after it."""
        rows = matching(visible_events(self.actor), self.filters(*EVENT_FILTERS), EVENT_FILTERS)
        return self.page(rows, shapes.EventOut)
