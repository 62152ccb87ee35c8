"""Thin doors to what goes out before the final report, to deliveries, and to the spreadsheet."""

import zlib
from typing import Any
from uuid import UUID

from django.http import HttpResponse, HttpResponseBase
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.access import Action, Actor
from jobs.errors import NotFound
from jobs.http.door import Door, PublicDoor, Strict
from jobs.http.idempotency import Repeatable
from jobs.reasons import LONGEST_REASON, SHORTEST_REASON
from jobs.rest import examples as ids
from reports import before, deferrals, deliver, queries, schema, workbook
from reports.deliver import LONGEST_MESSAGE, MOST_ADDRESSES, MOST_DAYS, USUAL_DAYS
from reports.issue import document_of
from reports.models import Deferral, Delivery, Fetch, FetchedAs, Issue, Season
from reports.rest.serializers import ReportShape


class DocumentInput(Strict):
    """A document to go out before the final report."""

    kind = serializers.ChoiceField(choices=[kind.value for kind in before.TITLES])
    addressee = serializers.CharField(
        max_length=before.LONGEST_ADDRESSEE, allow_blank=True, default="", help_text="Whom it is for."
    )


class DeferralInput(Strict):
    """A point to be left for later; without a season it is to be measured after all."""

    test_point = serializers.UUIDField()
    season = serializers.ChoiceField(choices=Season.choices, allow_null=True)
    due_on = serializers.DateField(required=False, allow_null=True, default=None)
    reason = serializers.CharField(min_length=SHORTEST_REASON, max_length=LONGEST_REASON)


class DeferralShape(serializers.ModelSerializer[Deferral]):
    """Why a point is left for later. `season` is empty where that was taken back."""

    test_point = serializers.UUIDField(source="test_point_id")
    tag = serializers.CharField(source="test_point.tag")
    by = serializers.CharField(source="member.name")

    class Meta:
        model = Deferral
        fields = ("id", "test_point", "tag", "season", "due_on", "reason", "by", "at")


class DeferralList(serializers.Serializer):
    items = DeferralShape(many=True)


class DeliveryInput(Strict):
    """To whom a link to the report's file is mailed."""

    addresses = serializers.ListField(
        child=serializers.EmailField(max_length=254), min_length=1, max_length=MOST_ADDRESSES
    )
    message = serializers.CharField(max_length=LONGEST_MESSAGE, allow_blank=True, default="")
    days = serializers.IntegerField(min_value=1, max_value=MOST_DAYS, default=USUAL_DAYS)


class DeliveryShape(serializers.ModelSerializer[Delivery]):
    """A link that was mailed; `state`: waiting, open, ended or withdrawn."""

    report = serializers.UUIDField(source="issue_id")
    sent_by = serializers.CharField(source="sent_by.name")
    state = serializers.SerializerMethodField()
    fetched = serializers.IntegerField(source="times", default=0, help_text="How often the link was used.")
    last_fetched_at = serializers.DateTimeField(source="last", default=None, allow_null=True)

    class Meta:
        model = Delivery
        fields = (
            "id", "report", "address", "message", "sent_by", "made_at", "mailed_at", "expires_at",
            "revoked_at", "state", "fetched", "last_fetched_at",
        )  # fmt: skip

    @extend_schema_field(serializers.ChoiceField(choices=["waiting", "open", "ended", "withdrawn"]))
    def get_state(self, row: Delivery) -> str:
        return deliver.state_of(row)


class DeliveryList(serializers.Serializer):
    items = DeliveryShape(many=True)


class FetchShape(serializers.ModelSerializer[Fetch]):
    """A file that left the house. `by`: a member's or key's name, or the address a link was mailed to."""

    by = serializers.SerializerMethodField()
    delivery = serializers.UUIDField(source="delivery_id", allow_null=True)

    class Meta:
        model = Fetch
        fields = ("id", "form", "by", "delivery", "at")

    def get_by(self, row: Fetch) -> str:
        return deliver.fetched_by(row)


class JobDocuments(Repeatable, Door):
    """Interim reports and lists of a job."""

    needs = {"POST": Action.ISSUE}
    serializer_class = DocumentInput

    @extend_schema(
        operation_id="job_document_send",
        examples=ids.sent(
            "How far it is", {"kind": "interim", "addressee": "Town of Elmbridge, buildings office"}
        ),
        tags=["reports"],
        request=DocumentInput,
        responses={201: ReportShape},
    )
    def post(self, request: Request, job_id: UUID) -> Response:
        """Freezes how the job stands and sends it out under its number; a worker makes the file."""
        given = self.read(DocumentInput)
        made = before.send_before(self.actor, job_id, kind=given["kind"], addressee=given["addressee"])
        where = request.build_absolute_uri(f"/api/v1/reports/{made.id}")
        shown = queries.visible_issues(self.actor).get(id=made.id)
        return Response(ReportShape(shown).data, status=201, headers={"Location": where})


class JobDeferrals(Repeatable, Door):
    """Points of a job left for later."""

    needs = {"GET": Action.READ, "POST": Action.SUBMIT}
    pagination_class = None
    serializer_class = DeferralInput

    @extend_schema(operation_id="job_deferrals", tags=["reports"], responses=DeferralList)
    def get(self, request: Request, job_id: UUID) -> Response:
        """The newest decision on each point that was ever deferred."""
        self.filters()
        job = queries.visible_jobs(self.actor).filter(id=job_id).first()
        if job is None:
            raise NotFound()
        rows = sorted(deferrals.newest(job).values(), key=lambda row: row.test_point.tag)
        return Response(DeferralList({"items": rows}).data)

    @extend_schema(
        operation_id="job_defer",
        examples=ids.sent(
            "Until summer",
            {
                "test_point": ids.POINT,
                "season": "cooling",
                "due_on": "2026-07-15",
                "reason": "The cooling coil can only be loaded in summer.",
            },
        ),
        tags=["reports"],
        request=DeferralInput,
        responses={201: DeferralShape},
    )
    def post(self, request: Request, job_id: UUID) -> Response:
        """Leaves a point for later, or takes that back; each is a row of its own and the newest counts.

        Who measures may, also on a tablet, until the job is handed over; then its supervisor.
        """
        row = defer_or_take_back(self.actor, job_id, self.read(DeferralInput))
        return Response(DeferralShape(row).data, status=201)


def defer_or_take_back(actor: Actor, job_id: UUID, given: dict[str, Any]) -> Deferral:
    """Leaves a point for later as checked input says, or takes that back."""
    common: dict[str, Any] = {"point_id": given["test_point"], "reason": given["reason"]}
    if given["season"] is None:
        return deferrals.take_back(actor, job_id, **common)
    return deferrals.defer(actor, job_id, season=given["season"], due_on=given["due_on"], **common)


class ReportDeliveries(Repeatable, Door):
    """Links to a report that were mailed."""

    needs = {"GET": Action.READ, "POST": Action.ISSUE}
    newest_first = True
    serializer_class = DeliveryShape
    queryset = Delivery.objects.all()

    @extend_schema(operation_id="report_deliveries", tags=["reports"], responses=DeliveryShape(many=True))
    def get(self, request: Request, report_id: UUID) -> Response:
        """Newest first, each with how often it was used."""
        self.filters()
        rows = queries.visible_deliveries(self.actor).filter(issue=_report(self, report_id))
        return self.page(rows, DeliveryShape)

    @extend_schema(
        operation_id="report_deliver",
        examples=ids.sent(
            "To the engineer",
            {
                "addresses": ["engineer@elmbridge.example"],
                "message": "The report on the reading rooms.",
                "days": 30,
            },
        ),
        tags=["reports"],
        request=DeliveryInput,
        responses={201: DeliveryList},
    )
    def post(self, request: Request, report_id: UUID) -> Response:
        """Mails a link to each address; it ends after `days`."""
        given = self.read(DeliveryInput)
        rows = deliver.deliver(self.actor, report_id, **given)
        return Response(DeliveryList({"items": rows}).data, status=201)


class DeliveryEnd(Repeatable, Door):
    """The end of a link."""

    needs = {"POST": Action.ISSUE}

    @extend_schema(
        operation_id="delivery_end", tags=["reports"], request=None, responses={200: DeliveryShape}
    )
    def post(self, request: Request, delivery_id: UUID) -> Response:
        """The link leads nowhere from now on. Ending it twice does no harm."""
        deliver.revoke(self.actor, delivery_id)
        return Response(DeliveryShape(queries.visible_deliveries(self.actor).get(id=delivery_id)).data)


class ReportFetches(Door):
    """Who fetched a report."""

    needs = {"GET": Action.READ}
    newest_first = True
    serializer_class = FetchShape
    queryset = Fetch.objects.all()

    @extend_schema(operation_id="report_fetches", tags=["reports"], responses=FetchShape(many=True))
    def get(self, request: Request, report_id: UUID) -> Response:
        """Newest first."""
        self.filters()
        return self.page(
            queries.visible_fetches(self.actor).filter(issue=_report(self, report_id)), FetchShape
        )


class ReportWorkbook(Door):
    """The report as a spreadsheet."""

    needs = {"GET": Action.READ}

    @extend_schema(
        operation_id="report_workbook",
        tags=["reports"],
        responses={(200, workbook.MEDIA_TYPE): OpenApiTypes.BINARY},
        parameters=[OpenApiParameter("report_id", OpenApiTypes.UUID, OpenApiParameter.PATH)],
    )
    def get(self, request: Request, report_id: UUID) -> HttpResponseBase:
        """From the same frozen snapshot as the PDF; no cell is a formula."""
        made = _report(self, report_id)
        return workbook_response(made, self.actor)


class SnapshotSchema(PublicDoor):
    """The JSON Schema of the snapshot in every report."""

    @extend_schema(
        operation_id="snapshot_schema",
        tags=["public"],
        responses={(200, schema.MEDIA_TYPE): OpenApiTypes.OBJECT},
    )
    def get(self, request: Request) -> HttpResponse:
        """What each field of snapshot.json holds, and in which unit. The same for every company."""
        response = HttpResponse(schema.text(), content_type=schema.MEDIA_TYPE)
        response["Cache-Control"] = "public, max-age=86400"
        return response


def workbook_response(made: Issue, actor: Any) -> HttpResponse:
    """The spreadsheet of an issued document, its fetch logged."""
    content, frozen, readings = document_of(made)
    deliver.fetched(actor, made, FetchedAs.WORKBOOK)
    response = HttpResponse(
        workbook.write(content, frozen, zlib.decompress(readings)), content_type=workbook.MEDIA_TYPE
    )
    name = f"{made.number}-rev{made.revision.revision}.xlsx"
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    response["Cache-Control"] = "private, no-store"
    response["X-Content-Type-Options"] = "nosniff"
    response["Content-Security-Policy"] = "default-src 'none'; sandbox"
    return response


def _report(door: Door, report_id: UUID) -> Issue:
    made = queries.visible_issues(door.actor).filter(id=report_id).first()
    if made is None:
        raise NotFound()
    return made
