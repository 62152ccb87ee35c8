"""Doors of planning: the board, who and what would do, travel times, calendar addresses."""

import re
from datetime import date, time
from typing import Any
from uuid import UUID

from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from jobs import board, calendars, travel
from jobs.access import Action
from jobs.bookings import Kind, spell_of
from jobs.errors import Fault, Invalid
from jobs.http.door import Door, etag
from jobs.http.idempotency import Repeatable, ShownOnce
from jobs.models import Company
from jobs.rest import examples as ids
from jobs.rest import plan_shapes as shapes
from jobs.rest.examples import sent

KIND_WORDS = "people or instruments; people unless told."
CLOCK = re.compile(r"[0-9]{2}:[0-9]{2}")
SEEN = OpenApiParameter("If-None-Match", str, OpenApiParameter.HEADER, description="The ETag seen last.")


def read_kind(text: str | None, name: str) -> Kind:
    """Raises Invalid."""
    try:
        return Kind(text or Kind.PEOPLE)
    except ValueError:
        raise Invalid(f"'{name}' is people or instruments.", [Fault(f"query:{name}", "is neither")]) from None


def read_day(given: dict[str, str], name: str) -> date | None:
    """Raises Invalid."""
    try:
        return date.fromisoformat(given[name]) if name in given else None
    except ValueError:
        raise Invalid(f"'{name}' is a day, e.g. 2026-03-02.", [Fault(f"query:{name}", "is no day")]) from None


def read_time(given: dict[str, str], name: str) -> time | None:
    """Raises Invalid."""
    if name not in given:
        return None
    try:
        return time.fromisoformat(given[name] if CLOCK.fullmatch(given[name]) else "")
    except ValueError:
        raise Invalid(
            f"'{name}' is a time of day, e.g. 13:00.", [Fault(f"query:{name}", "is no time")]
        ) from None


class Plan(Door):
    needs = {"GET": Action.PLAN}
    serializer_class = shapes.PlanOut
    pagination_class = None

    @extend_schema(
        operation_id="plan",
        tags=["plan"],
        parameters=[
            OpenApiParameter("from", date, description="The first day; this week's Monday unless told."),
            OpenApiParameter("days", int, description=f"1 to {board.MOST_DAYS}; 7 unless told."),
            OpenApiParameter("by", str, description=KIND_WORDS),
            SEEN,
        ],
        responses={200: shapes.PlanOut, 304: None},
    )
    def get(self, request: Request) -> Response:
        """The planning board: who or what is on which job on these days, and which jobs wait.

        The ETag differs when anything on it does; 304 for who has it already.
        """
        given = self.filters("from", "days", "by")
        first = read_day(given, "from") or board.week_of(board.now_at(Company.objects.get()).date())
        count = given.get("days", "7")
        if not (count.isascii() and count.isdigit() and len(count) < 4):
            raise Invalid("'days' is a whole number.", [Fault("query:days", "is no number")])
        found = board.board(self.actor, board.span(first, int(count)), read_kind(given.get("by"), "by"))
        headers = {"ETag": etag(found.digest), "Cache-Control": "private, no-cache"}
        if etag(found.digest) in request.headers.get("If-None-Match", ""):
            return Response(status=304, headers=headers)
        return Response(shapes.PlanOut(found).data, headers=headers)


class Candidates(Door):
    needs = {"GET": Action.PLAN}
    serializer_class = shapes.CandidatesOut
    pagination_class = None

    @extend_schema(
        operation_id="job_candidates",
        tags=["plan"],
        parameters=[
            OpenApiParameter("kind", str, description=KIND_WORDS),
            OpenApiParameter("starts_on", date, description="The job's first day unless told."),
            OpenApiParameter("ends_on", date, description="The job's last day unless told."),
            OpenApiParameter("from_time", str, description="Clock at the site on the first day, e.g. 13:00."),
            OpenApiParameter("to_time", str, description="Clock at the site on the last day."),
        ],
        responses=shapes.CandidatesOut,
    )
    def get(self, request: Request, job_id: UUID) -> Response:
        """Who or what could be assigned for these days, what fits first, and what speaks against each.

        For instruments: certificates that end before the last day, ranges that do not suit the job's points.
        """
        job = board.the_job(self.actor, job_id)
        given = self.filters("kind", "starts_on", "ends_on", "from_time", "to_time")
        kind = read_kind(given.get("kind"), "kind")
        spell = spell_of(
            job,
            Company.objects.get(),
            read_day(given, "starts_on"),
            read_day(given, "ends_on"),
            read_time(given, "from_time"),
            read_time(given, "to_time"),
        )
        found = board.candidates(self.actor, job, kind, spell)
        data = {
            "kind": kind.value,
            "starts_at": spell.starts_at,
            "ends_at": spell.ends_at,
            "candidates": found,
        }
        return Response(shapes.CandidatesOut(data).data)


class TravelTimes(Repeatable, Door):
    needs = {"GET": Action.READ, "POST": Action.PLAN}
    serializer_class = shapes.TravelOut

    @extend_schema(operation_id="travel_list", tags=["plan"], responses=shapes.TravelOut(many=True))
    def get(self, request: Request) -> Response:
        """Pairs of sites with a travel time of their own; for all others the company's usual one counts."""
        self.filters()
        return self.page(travel.times(self.actor), shapes.TravelOut)

    @extend_schema(
        operation_id="travel_set",
        tags=["plan"],
        request=shapes.TravelIn,
        responses=shapes.TravelOut,
        examples=sent(
            "Across the town",
            {
                "one": ids.SITE,
                "other": ids.ANNEXE,
                "minutes": 40,
            },
        ),
    )
    def post(self, request: Request) -> Response:
        """Set the minutes between two sites, either way; again for a pair changes them."""
        given = self.read(shapes.TravelIn)
        row = travel.set_minutes(self.actor, given["one"], given["other"], given["minutes"])
        return Response(shapes.TravelOut(row).data)


class TravelTime(Door):
    needs = {"DELETE": Action.PLAN}

    @extend_schema(operation_id="travel_forget", tags=["plan"], responses={204: None})
    def delete(self, request: Request, travel_id: UUID) -> Response:
        """Take a pair's own time away; the company's usual one counts again."""
        travel.forget(self.actor, travel_id)
        return Response(status=204)


class Calendar(ShownOnce, Door):
    needs = {"GET": Action.READ, "POST": Action.READ, "DELETE": Action.READ}
    serializer_class = shapes.CalendarOut
    pagination_class = None

    @extend_schema(operation_id="calendar", tags=["plan"], responses=shapes.CalendarOut)
    def get(self, request: Request, member_id: UUID) -> Response:
        """Whether a member's calendar has a private address: one's own, or for planners anybody's."""
        return Response(_calendar(member_id, calendars.address_of(self.actor, member_id)))

    @extend_schema(
        operation_id="calendar_make", tags=["plan"], request=None, responses={201: shapes.CalendarShown}
    )
    def post(self, request: Request, member_id: UUID) -> Response:
        """Makes a private address to subscribe to (iCalendar, RFC 5545); the one before ends."""
        row, address = calendars.make_address(self.actor, member_id)
        return Response({**_calendar(member_id, row), "address": address}, status=201)

    @extend_schema(operation_id="calendar_revoke", tags=["plan"], responses={204: None})
    def delete(self, request: Request, member_id: UUID) -> Response:
        """Ends the address at once."""
        calendars.revoke_address(self.actor, member_id)
        return Response(status=204)


def _calendar(member_id: UUID, row: Any) -> dict[str, Any]:
    return {"member": str(member_id), "made_at": row.made_at if row else None}
