"""Doors of recalls: cases, their sessions and documents, opening one by hand, deciding."""

from typing import Any
from uuid import UUID

from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.access import Action, Actor
from jobs.errors import NotFound
from jobs.http.door import Door, Strict
from jobs.http.idempotency import Repeatable
from jobs.models import Quantity
from jobs.reasons import LONGEST_REASON, SHORTEST_REASON
from jobs.rest import examples as ids
from measurements import recall
from measurements.models import Outcome, RecallCase, RecallDecisionKind, RecallGround, RecallItem, Verdict
from measurements.queries import recall_items, undecided_items, visible_recalls
from measurements.recall_decisions import MOST_DECIDED, decide
from reports import recalled
from reports.models import DocumentKind

STATES = ("computing", "open", "decided")


class RecallPoint(serializers.Serializer):
    """A point of the certificate as it was judged, SI: what was true and what was shown."""

    reference = serializers.FloatField()
    shown = serializers.FloatField()
    expanded_uncertainty = serializers.FloatField(source="U")
    limit = serializers.FloatField(allow_null=True, help_text="Largest error that the maker allows there.")
    outside = serializers.BooleanField()
    inside_only_by_uncertainty = serializers.BooleanField(
        source="only_by_u", help_text="Inside, but U reaches over the limit: a remark."
    )


class RecallShape(serializers.ModelSerializer[RecallCase]):
    """An instrument under recall. Days run from `starts_on` (null: the first) until before `ends_on` (null:
    the next calibration)."""

    instrument = serializers.UUIDField(source="instrument_id")
    serial = serializers.CharField(source="instrument.serial")
    instrument_name = serializers.CharField(source="instrument.name")
    quantity = serializers.ChoiceField(choices=Quantity.choices)
    ground = serializers.ChoiceField(choices=RecallGround.choices)
    certificate = serializers.UUIDField(source="certificate_id")
    certificate_number = serializers.CharField(source="certificate.number")
    last_good = serializers.UUIDField(source="last_good_id", allow_null=True)
    opened_by = serializers.CharField(source="opened_by.name", default="")
    points = serializers.SerializerMethodField()
    state = serializers.SerializerMethodField()
    sessions = serializers.IntegerField(source="counted")
    undecided = serializers.IntegerField()
    verdicts_changed = serializers.IntegerField(source="changed")

    class Meta:
        model = RecallCase
        fields = (
            "id", "instrument", "serial", "instrument_name", "quantity", "ground", "certificate",
            "certificate_number", "last_good", "starts_on", "ends_on", "reason", "opened_by", "opened_at",
            "points", "state", "sessions", "undecided", "verdicts_changed",
        )  # fmt: skip

    @extend_schema_field(RecallPoint(many=True))
    def get_points(self, case: RecallCase) -> Any:
        return RecallPoint(recall.points_found(case), many=True).data

    @extend_schema_field(serializers.ChoiceField(choices=STATES))
    def get_state(self, case: RecallCase) -> str:
        if case.busy:  # type: ignore[attr-defined]
            return "computing"
        return "open" if case.undecided else "decided"  # type: ignore[attr-defined]


class RecallList(serializers.Serializer):
    items = RecallShape(many=True)


class RecallFigure(serializers.Serializer):
    """A figure of the measurand with its U and verdict, SI."""

    outcome = serializers.ChoiceField(choices=Outcome.choices)
    refusal = serializers.CharField()
    value = serializers.FloatField(allow_null=True)
    value_expanded = serializers.FloatField(allow_null=True)
    share_of_design = serializers.FloatField(allow_null=True)
    verdict = serializers.ChoiceField(choices=Verdict.choices)
    accepted = serializers.BooleanField(allow_null=True)


class RecallDecisionShape(serializers.Serializer):
    """What was decided, by whom and why."""

    decision = serializers.ChoiceField(source="kind", choices=RecallDecisionKind.choices)
    reason = serializers.CharField()
    by = serializers.CharField(source="member.name")
    decided_at = serializers.DateTimeField()


class RecallSession(serializers.ModelSerializer[RecallItem]):
    """A session as it was reported and as it would be with the error that was found. The newest decision
    comes first and counts."""

    session = serializers.UUIDField(source="session_id")
    job = serializers.UUIDField(source="session.job_id")
    test_point = serializers.UUIDField(source="session.test_point_id")
    tag = serializers.CharField(source="session.test_point.tag")
    customer = serializers.CharField(source="session.job.site.customer.name")
    measured_by = serializers.CharField(source="session.member.name")
    started_at = serializers.DateTimeField(source="session.started_at")
    superseded = serializers.BooleanField(source="is_superseded")
    result = serializers.UUIDField(source="result_id")
    measurand = serializers.CharField(source="result.measurand")
    reported = RecallFigure(source="result")
    found = RecallFigure(source="*")
    shift_in_expanded = serializers.FloatField(source="shift", allow_null=True)
    decisions = RecallDecisionShape(many=True)

    class Meta:
        model = RecallItem
        fields = (
            "id", "session", "job", "test_point", "tag", "customer", "measured_by", "started_at",
            "superseded", "result", "measurand", "reported", "found", "verdict_changed", "shift_in_expanded",
            "moved", "decisions", "inputs_digest", "calculation_version", "computed_at",
        )  # fmt: skip


class RecallDocument(serializers.Serializer):
    """A frozen document that holds sessions of the recall; `report` is null where it was not issued."""

    revision_id = serializers.UUIDField(source="revision.id")
    job = serializers.UUIDField(source="revision.job_id")
    kind = serializers.ChoiceField(source="revision.kind", choices=DocumentKind.choices)
    revision = serializers.IntegerField(source="revision.revision")
    newest = serializers.BooleanField()
    customer = serializers.CharField(source="customer.name")
    report = serializers.UUIDField(source="issue.id", default=None, allow_null=True)
    number = serializers.CharField(source="issue.number", default=None, allow_null=True)
    under_recall = serializers.SerializerMethodField(help_text="What its check address tells.")
    sessions = serializers.SerializerMethodField()

    def get_under_recall(self, one: Any) -> bool:
        return one.issue is not None and one.issue.id in self.context["notices"]

    @extend_schema_field(serializers.ListField(child=serializers.UUIDField()))
    def get_sessions(self, one: Any) -> list[str]:
        return sorted(str(session) for session in one.sessions)


class RecallDocuments(serializers.Serializer):
    """Newest first, replaced ones too."""

    items = RecallDocument(many=True)


class WithdrawInput(Strict):
    """A certificate that is withdrawn."""

    certificate = serializers.UUIDField()
    reason = serializers.CharField(min_length=SHORTEST_REASON, max_length=LONGEST_REASON)


class DecideInput(Strict):
    """A decision on one or many of a recall's sessions, by the ids of its items."""

    items = serializers.ListField(child=serializers.UUIDField(), min_length=1, max_length=MOST_DECIDED)
    decision = serializers.ChoiceField(choices=RecallDecisionKind.choices)
    reason = serializers.CharField(min_length=SHORTEST_REASON, max_length=LONGEST_REASON)


class DecideOutput(serializers.Serializer):
    decided = serializers.IntegerField(help_text="Without those that you had decided just so.")
    undecided = serializers.IntegerField(help_text="What is left; nought: the recall is closed.")


class Recalls(Repeatable, Door):
    """Recalls of instruments."""

    needs = {"GET": Action.READ, "POST": Action.MANAGE_INSTRUMENTS}
    serializer_class = RecallShape
    queryset = RecallCase.objects.all()
    newest_first = True

    @extend_schema(operation_id="recall_list", tags=["recalls"], responses=RecallShape(many=True))
    def get(self, request: Request) -> Response:
        """Newest first."""
        self.filters()
        return self.page(visible_recalls(self.actor), RecallShape)

    @extend_schema(
        operation_id="recall_withdraw",
        examples=ids.sent(
            "By the laboratory",
            {
                "certificate": ids.CERTIFICATE,
                "reason": "Its laboratory withdrew it: a wrong reference was used.",
            },
        ),
        tags=["recalls"],
        request=WithdrawInput,
        responses={201: RecallList},
    )
    def post(self, request: Request) -> Response:
        """Withdraws a certificate: opens a recall for each of its quantities, or gives those there are."""
        given = self.read(WithdrawInput)
        made = recall.withdraw(self.actor, given["certificate"], reason=given["reason"])
        rows = visible_recalls(self.actor).filter(id__in=[case.id for case in made]).order_by("id")
        return Response(RecallList({"items": rows}).data, status=201)


class Recall(Door):
    """One recall."""

    needs = {"GET": Action.READ}

    @extend_schema(operation_id="recall_read", tags=["recalls"], responses=RecallShape)
    def get(self, request: Request, recall_id: UUID) -> Response:
        """What was found by which certificate, since when, and how far the decisions are."""
        return Response(RecallShape(existing_case(self.actor, recall_id)).data)


class RecallSessions(Door):
    """Sessions of a recall."""

    needs = {"GET": Action.READ}
    serializer_class = RecallSession
    queryset = RecallItem.objects.all()

    @extend_schema(operation_id="recall_sessions", tags=["recalls"], responses=RecallSession(many=True))
    def get(self, request: Request, recall_id: UUID) -> Response:
        """Every session that it touches, as reported and with the found error, in the order computed."""
        self.filters()
        return self.page(recall_items(existing_case(self.actor, recall_id)), RecallSession)


class RecallHolders(Door):
    """Documents that hold sessions of a recall."""

    needs = {"GET": Action.READ}
    pagination_class = None

    @extend_schema(operation_id="recall_documents", tags=["recalls"], responses=RecallDocuments)
    def get(self, request: Request, recall_id: UUID) -> Response:
        """Approved and issued ones of every kind and revision."""
        self.filters()
        found = recalled.touched_documents(existing_case(self.actor, recall_id))
        notices = recalled.under_recall([one.issue.id for one in found if one.issue])
        return Response(RecallDocuments({"items": found}, context={"notices": notices}).data)


class RecallDecisions(Repeatable, Door):
    """Decisions on sessions of a recall."""

    needs = {"POST": Action.REVIEW}

    @extend_schema(
        operation_id="recall_decide",
        examples=ids.sent(
            "Nothing to change",
            {
                "items": [ids.RECALL_ITEM],
                "decision": "no_effect",
                "reason": "The verdict is the same with the error that was found.",
            },
        ),
        tags=["recalls"],
        request=DecideInput,
        responses={201: DecideOutput},
    )
    def post(self, request: Request, recall_id: UUID) -> Response:
        """Decides on one or many at once. The newest decision on a session counts; all are kept."""
        case = existing_case(self.actor, recall_id)
        given = self.read(DecideInput)
        made = decide(self.actor, recall_id, given["items"], kind=given["decision"], reason=given["reason"])
        left = undecided_items(case).count()
        return Response(DecideOutput({"decided": len(made), "undecided": left}).data, status=201)


def existing_case(actor: Actor, recall_id: UUID) -> RecallCase:
    """A recall with how far it is. Raises NotFound."""
    found = visible_recalls(actor).filter(id=recall_id).first()
    if found is None:
        raise NotFound()
    return found
