"""Shapes of how a job stands, for the tablet. SI, with the unit beside each figure."""

from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from jobs.models import JobStatus, Measurand
from measurements.models import Method, Outcome, Result, Severity, Verdict
from measurements.overview import Counts, JobStanding, Lacks, OpenFlag, PointLine, SessionLine, Standing


class AskedOut(serializers.Serializer):
    """Who asked to measure again, when and why."""

    kind = serializers.CharField()
    reason = serializers.CharField()
    by = serializers.CharField(source="member.name", default=None, allow_null=True)
    at = serializers.DateTimeField(source="answered_at")

    class Meta:
        ref_name = "FieldAnswer"


class OpenFlagOut(serializers.Serializer):
    """What a rule saw and nobody settled yet. `answered`: the request to measure again, null before."""

    id = serializers.UUIDField(source="flag.id")
    test_point = serializers.UUIDField(source="flag.test_point_id", allow_null=True)
    session = serializers.UUIDField(source="flag.session_id", allow_null=True)
    severity = serializers.ChoiceField(Severity.choices, source="flag.severity")
    rule = serializers.CharField(source="flag.rule")
    seen = serializers.CharField(source="flag.seen")
    expected = serializers.CharField(source="flag.expected")
    advice = serializers.CharField(source="flag.advice")
    answered = AskedOut(source="asked", allow_null=True)

    class Meta:
        ref_name = "FieldFlag"


class ResultLineOut(serializers.Serializer):
    """The ledger line of a result. U at 95.45 %; share of design as 1.0 = 100 %."""

    id = serializers.UUIDField()
    measurand = serializers.ChoiceField(Measurand.choices)
    value = serializers.FloatField(allow_null=True)
    expanded_uncertainty = serializers.FloatField(source="value_expanded", allow_null=True)
    k = serializers.FloatField(source="coverage_factor", allow_null=True)
    unit = serializers.SerializerMethodField(help_text="SI unit of the measurand.")
    share = serializers.FloatField(source="share_of_design", allow_null=True)
    share_expanded_uncertainty = serializers.FloatField(source="share_expanded", allow_null=True)
    tolerance_below = serializers.FloatField(allow_null=True)
    tolerance_above = serializers.FloatField(allow_null=True)
    limit_low = serializers.FloatField(allow_null=True)
    limit_high = serializers.FloatField(allow_null=True)
    verdict = serializers.ChoiceField(Verdict.choices)

    class Meta:
        ref_name = "FieldResult"

    def get_unit(self, result: Result) -> str:
        return Measurand(result.measurand).unit


class SessionStateOut(serializers.Serializer):
    """A session that the service has. `stands`: it is its point's figure, not one of an earlier round."""

    id = serializers.UUIDField(source="session.id")
    test_point = serializers.UUIDField(source="session.test_point_id")
    method = serializers.ChoiceField(Method.choices, source="session.method")
    member = serializers.UUIDField(source="session.member_id")
    member_name = serializers.CharField(source="session.member.name")
    measured_at = serializers.DateTimeField(source="session.started_at")
    finished_at = serializers.DateTimeField(source="session.finished_at")
    received_at = serializers.DateTimeField(source="session.received_at")
    counts = serializers.ChoiceField([one.value for one in Counts])
    stands = serializers.BooleanField()
    supersedes = serializers.UUIDField(source="session.supersedes_id", allow_null=True)
    evaluated = serializers.SerializerMethodField()
    refusal = serializers.CharField(
        source="result.refusal", default="", help_text="Why the evaluation gave no figure."
    )
    result = serializers.SerializerMethodField()
    flags = OpenFlagOut(many=True)

    class Meta:
        ref_name = "FieldSession"

    def get_evaluated(self, line: SessionLine) -> bool:
        return line.result is not None

    @extend_schema_field(ResultLineOut(allow_null=True))
    def get_result(self, line: SessionLine) -> dict[str, Any] | None:
        """Null before the evaluation, and where it gave no figure."""
        if line.result is None or line.result.outcome != Outcome.COMPUTED:
            return None
        return dict(ResultLineOut(line.result).data)


class PointStateOut(serializers.Serializer):
    """How far a point is. `needed`: the job is not complete without a figure here."""

    id = serializers.UUIDField(source="point.id")
    tag = serializers.CharField(source="point.tag")
    kind = serializers.CharField(source="point.kind")
    needed = serializers.BooleanField()
    state = serializers.ChoiceField([one.value for one in Standing])
    sessions = serializers.SerializerMethodField(help_text="Sessions that stand here.")
    flags = OpenFlagOut(many=True, help_text="Of the point itself, not of a session.")

    class Meta:
        ref_name = "FieldPoint"

    def get_sessions(self, line: PointLine) -> list[str]:
        return [str(one.session.id) for one in line.sessions]


class SystemStateOut(serializers.Serializer):
    id = serializers.UUIDField(source="system.id")
    tag = serializers.CharField(source="system.tag")
    points = PointStateOut(many=True)

    class Meta:
        ref_name = "FieldSystem"


class LackOut(serializers.Serializer):
    """Something missing: a session, a re-measurement, the evaluation, a zero check, a damper's mark."""

    kind = serializers.ChoiceField([one.value for one in Lacks])
    system = serializers.CharField(source="system.tag")
    point = serializers.CharField(source="point.tag")
    test_point = serializers.UUIDField(source="point.id")
    session = serializers.UUIDField(source="session.id", default=None, allow_null=True)
    flag = serializers.UUIDField(source="flag.flag.id", default=None, allow_null=True)
    reason = serializers.SerializerMethodField(help_text="Why it was asked to measure again.")

    class Meta:
        ref_name = "FieldLack"

    def get_reason(self, lack: Any) -> str:
        asked: OpenFlag | None = lack.flag
        return str(asked.asked.reason) if asked and asked.asked else ""


class JobStateOut(serializers.Serializer):
    """A job as the service knows it. `flags`: those of no point of the job's systems."""

    job = serializers.UUIDField(source="job.id")
    status = serializers.ChoiceField(JobStatus.choices, source="job.status")
    sessions = SessionStateOut(many=True)
    systems = SystemStateOut(many=True)
    flags = OpenFlagOut(many=True)
    missing = LackOut(many=True)

    class Meta:
        ref_name = "FieldJobState"


def content_of(standing: JobStanding) -> dict[str, Any]:
    """The answer as plain JSON."""
    return dict(JobStateOut(standing).data)
