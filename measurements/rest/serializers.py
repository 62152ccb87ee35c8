"""Shapes of what the measurements app answers. SI, with the unit in the field's name."""

from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from jobs.models import Measurand
from measurements.models import (
    Correction,
    Flag,
    FlagAnswer,
    Outcome,
    Result,
    Session,
    Severity,
    Verdict,
)
from measurements.queries import readings_of, state_of, sweeps_of


class AnswerOut(serializers.Serializer):
    """How a flag was answered. No member: cleared by the rules."""

    id = serializers.UUIDField()
    kind = serializers.CharField()
    reason = serializers.CharField()
    member = serializers.UUIDField(source="member_id", allow_null=True)
    member_name = serializers.SerializerMethodField()
    answered_at = serializers.DateTimeField()

    class Meta:
        ref_name = "FlagAnswer"

    def get_member_name(self, answer: FlagAnswer) -> str | None:
        return answer.member.name if answer.member else None


class FlagOut(serializers.Serializer):
    """What a rule saw, what it expected, what to do, and the answers, newest first."""

    id = serializers.UUIDField()
    job = serializers.UUIDField(source="job_id")
    system = serializers.UUIDField(source="system_id", allow_null=True)
    test_point = serializers.UUIDField(source="test_point_id", allow_null=True)
    test_point_tag = serializers.SerializerMethodField()
    session = serializers.UUIDField(source="session_id", allow_null=True)
    rule = serializers.CharField()
    severity = serializers.ChoiceField(Severity.choices)
    seen = serializers.CharField()
    expected = serializers.CharField()
    advice = serializers.CharField()
    source = serializers.CharField()  # type: ignore[assignment]
    data = serializers.JSONField()  # type: ignore[assignment]
    raised_at = serializers.DateTimeField()
    open = serializers.SerializerMethodField()
    answers = AnswerOut(many=True)

    class Meta:
        ref_name = "Flag"

    def get_test_point_tag(self, flag: Flag) -> str | None:
        return flag.test_point.tag if flag.test_point else None

    def get_open(self, flag: Flag) -> bool:
        answers = list(flag.answers.all())
        return not answers or answers[0].kind == "remeasure"


class FiguresOut(serializers.Serializer):
    """The figures of one computation. U at 95.45 %."""

    id = serializers.UUIDField()
    computed_at = serializers.DateTimeField()
    outcome = serializers.ChoiceField(Outcome.choices)
    refusal = serializers.CharField(help_text="Why there is no figure; empty when there is one.")
    measurand = serializers.ChoiceField(
        Measurand.choices, allow_blank=True, help_text="What the verdict is about."
    )
    unit = serializers.SerializerMethodField(help_text="SI unit of the measurand's figures.")
    value = serializers.FloatField(allow_null=True, help_text="Of the measurand, on the design's basis.")
    value_expanded = serializers.FloatField(allow_null=True)
    design_value = serializers.FloatField(allow_null=True)
    limit_low = serializers.FloatField(allow_null=True, help_text="As judged. Null: no limit on this side.")
    limit_high = serializers.FloatField(allow_null=True)
    flow_m3_s = serializers.FloatField(source="flow", allow_null=True)
    flow_expanded_m3_s = serializers.FloatField(source="flow_expanded", allow_null=True)
    standard_flow_m3_s = serializers.FloatField(source="standard_flow", allow_null=True)
    standard_flow_expanded_m3_s = serializers.FloatField(source="standard_flow_expanded", allow_null=True)
    density_kg_m3 = serializers.FloatField(source="density", allow_null=True)
    mean_velocity_m_s = serializers.FloatField(source="mean_velocity", allow_null=True)
    design_flow_m3_s = serializers.FloatField(source="design_flow", allow_null=True)
    share_of_design = serializers.FloatField(allow_null=True)
    share_expanded = serializers.FloatField(allow_null=True)
    tolerance_below = serializers.FloatField(allow_null=True)
    tolerance_above = serializers.FloatField(allow_null=True)
    coverage_factor = serializers.FloatField(allow_null=True)
    effective_dof = serializers.FloatField(allow_null=True, help_text="Null: infinite.")
    verdict = serializers.ChoiceField(Verdict.choices)
    probability = serializers.FloatField(allow_null=True)
    accepted = serializers.BooleanField(allow_null=True)
    calculation_version = serializers.CharField()
    inputs_digest = serializers.CharField()
    content_digest = serializers.CharField()

    class Meta:
        ref_name = "Figures"

    def get_unit(self, result: Result) -> str:
        return Measurand(result.measurand).unit if result.measurand else ""


_FIGURES = FiguresOut()


def figures_of(result: Result) -> dict[str, Any]:
    """The figures of one computation. One serializer does all: it keeps nothing, and is dear to make."""
    return dict(_FIGURES.to_representation(result))


class ResultOut(FiguresOut):
    """With all that the calculation was given and gave: budget, points, certificates, remarks."""

    session = serializers.UUIDField(source="session_id")
    inputs = serializers.JSONField()
    detail = serializers.JSONField()

    class Meta:
        ref_name = "Result"


class CorrectionOut(serializers.Serializer):
    """Who put a mistake right, when by the server's clock, and what; `reason` of the session: why."""

    original = serializers.UUIDField(source="original_id")
    member = serializers.UUIDField(source="member_id")
    member_name = serializers.CharField(source="member.name")
    at = serializers.DateTimeField()
    changes = serializers.JSONField(help_text="List of path, before and after, as posted.")
    summary = serializers.JSONField(help_text="List of what, before and after, in words.")

    class Meta:
        ref_name = "Correction"


class VoidNoteOut(serializers.Serializer):
    """A note that makes a session void, or is added to that."""

    id = serializers.UUIDField()
    session = serializers.UUIDField(source="session_id")
    member = serializers.UUIDField(source="member_id")
    member_name = serializers.CharField(source="member.name")
    at = serializers.DateTimeField()
    reason = serializers.CharField()

    class Meta:
        ref_name = "VoidNote"


class SessionOut(serializers.Serializer):
    """One measurement of one test point, with its newest figures."""

    id = serializers.UUIDField()
    job = serializers.UUIDField(source="job_id")
    system = serializers.UUIDField(source="test_point.system_id")
    system_tag = serializers.CharField(source="test_point.system.tag")
    test_point = serializers.UUIDField(source="test_point_id")
    test_point_tag = serializers.CharField(source="test_point.tag")
    method = serializers.CharField()
    member = serializers.UUIDField(source="member_id")
    member_name = serializers.CharField(source="member.name")
    device = serializers.UUIDField(source="device_id", allow_null=True)
    started_at = serializers.DateTimeField()
    finished_at = serializers.DateTimeField()
    received_at = serializers.DateTimeField()
    clock_offset_s = serializers.FloatField()
    supersedes = serializers.UUIDField(source="supersedes_id", allow_null=True)
    reason = serializers.CharField()
    note = serializers.CharField()
    content_digest = serializers.CharField()
    kind = serializers.SerializerMethodField()
    corrected_by = serializers.SerializerMethodField()
    correction = serializers.SerializerMethodField()
    void = VoidNoteOut(source="void_notes", many=True, help_text="Empty: it is not void.")
    state = serializers.SerializerMethodField()
    result = serializers.SerializerMethodField()

    class Meta:
        ref_name = "Session"

    def get_kind(self, session: Session) -> str:
        """measured, or corrected: the same readings with a clerical mistake put right"""
        return "corrected" if session.made_by else "measured"  # type: ignore[attr-defined]

    def get_corrected_by(self, session: Session) -> str | None:
        """Name of who corrected it."""
        made: list[Correction] = session.made_by  # type: ignore[attr-defined]
        return str(made[0].member.name) if made else None

    @extend_schema_field(CorrectionOut(allow_null=True))
    def get_correction(self, session: Session) -> dict[str, Any] | None:
        """What this session puts right of the one that it supersedes."""
        made: list[Correction] = session.made_by  # type: ignore[attr-defined]
        return dict(CorrectionOut(made[0]).data) if made else None

    def get_state(self, session: Session) -> str:
        """waiting, computed, refused, superseded or void"""
        return state_of(session)

    @extend_schema_field(FiguresOut(allow_null=True))
    def get_result(self, session: Session) -> dict[str, Any] | None:
        found: list[Result] = session.newest_results  # type: ignore[attr-defined]
        return figures_of(found[0]) if found else None


COLUMNS: dict[str, dict[str, Any]] = {
    "place": {"type": "string"}, "run": {"type": "integer"}, "line": {"type": "integer"},
    "point": {"type": "integer"}, "quantity": {"type": "string"}, "value": {"type": "number"},
    "entered": {"type": "string"}, "unit": {"type": "string"},
    "taken_at": {"type": "string", "format": "date-time"},
}  # fmt: skip
READINGS_SCHEMA = {
    "description": "Columns of like length: `value` in SI, `entered` as shown.",
    "type": "object",
    "properties": {name: {"type": "array", "items": items} for name, items in COLUMNS.items()},
    "required": list(COLUMNS),
    "additionalProperties": {"type": "array", "items": {}},  # columns may come
}


class SweepOut(serializers.Serializer):
    """A stroke of the probe: its mean as shown, or what the instrument logged."""

    run = serializers.IntegerField()
    line = serializers.IntegerField()
    quantity = serializers.CharField()
    started_at = serializers.DateTimeField()
    duration_s = serializers.FloatField()
    mean = serializers.FloatField(allow_null=True)
    entered = serializers.CharField()
    unit = serializers.CharField()
    samples = serializers.ListField(
        child=serializers.FloatField(), help_text="SI, evenly spaced; empty: a mean."
    )

    class Meta:
        ref_name = "SessionSweep"


class SessionDetailOut(SessionOut):
    """With its content, readings as columns (arrays of like length), sweeps, full result and flags."""

    content = serializers.JSONField()
    readings = serializers.SerializerMethodField()
    sweeps = serializers.SerializerMethodField()
    result = serializers.SerializerMethodField()
    flags = serializers.SerializerMethodField()

    class Meta:
        ref_name = "SessionDetail"

    @extend_schema_field(READINGS_SCHEMA)
    def get_readings(self, session: Session) -> dict[str, list[Any]]:
        """Columns: value in SI, entered as shown."""
        rows = readings_of(session)
        return {name: [getattr(row, name) for row in rows] for name in COLUMNS}

    @extend_schema_field(SweepOut(many=True))
    def get_sweeps(self, session: Session) -> list[dict[str, Any]]:
        return SweepOut(sweeps_of(session), many=True).data  # type: ignore[return-value]

    @extend_schema_field(ResultOut(allow_null=True))
    def get_result(self, session: Session) -> dict[str, Any] | None:
        found = session.newest_results  # type: ignore[attr-defined]
        if not found:
            return None
        shown: dict[str, Any] = ResultOut(Result.objects.get(id=found[0].id)).data  # type: ignore[assignment]
        return shown

    @extend_schema_field(FlagOut(many=True))
    def get_flags(self, session: Session) -> list[dict[str, Any]]:
        return FlagOut(self.context["flags"], many=True).data  # type: ignore[return-value]


class PointResultOut(serializers.Serializer):
    test_point = serializers.UUIDField(source="point.id")
    tag = serializers.CharField(source="point.tag")
    kind = serializers.CharField(source="point.kind")
    parent = serializers.UUIDField(source="point.parent_id", allow_null=True)  # type: ignore[assignment]
    design_flow_m3_s = serializers.FloatField(source="point.design_flow", allow_null=True)
    design_entered = serializers.CharField(source="point.design_entered")
    session = serializers.UUIDField(source="session.id", default=None, allow_null=True)
    method = serializers.CharField(source="session.method", default=None, allow_null=True)
    result = serializers.SerializerMethodField()
    open_flags = serializers.IntegerField(help_text="Open flags that are more than a remark.")

    class Meta:
        ref_name = "PointResult"

    @extend_schema_field(FiguresOut(allow_null=True))
    def get_result(self, figure: Any) -> dict[str, Any] | None:
        return figures_of(figure.result) if figure.result else None


class SystemResultsOut(serializers.Serializer):
    system = serializers.UUIDField(source="system.id")
    tag = serializers.CharField(source="system.tag")
    kind = serializers.CharField(source="system.kind")
    points = PointResultOut(many=True)

    class Meta:
        ref_name = "SystemResults"


class OverviewOut(serializers.Serializer):
    points = serializers.IntegerField()
    measured = serializers.IntegerField()
    to_do = serializers.IntegerField()
    waiting = serializers.IntegerField(help_text="Posted, not evaluated yet.")
    must_answer = serializers.IntegerField()
    should_answer = serializers.IntegerField()

    class Meta:
        ref_name = "JobOverview"


class JobResultsOut(serializers.Serializer):
    job = serializers.UUIDField()
    status = serializers.CharField()
    overview = OverviewOut()
    systems = SystemResultsOut(many=True)

    class Meta:
        ref_name = "JobResults"


class MissingOut(serializers.Serializer):
    system = serializers.CharField()
    point = serializers.CharField()
    test_point = serializers.UUIDField()
    reason = serializers.CharField()

    class Meta:
        ref_name = "MissingPoint"


class HandoverOut(serializers.Serializer):
    """The job handed over, and what is still missing."""

    job = serializers.UUIDField(source="job.id")
    status = serializers.CharField(source="job.status")
    missing = MissingOut(many=True)

    class Meta:
        ref_name = "Handover"
