"""Shapes of the review and report doors. SI throughout; the unit stands in the field's name."""

from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from jobs.http.door import Strict, etag
from jobs.reasons import LONGEST_REASON, SHORTEST_REASON
from measurements.models import AnswerKind, Result
from reports import issue as issuing
from reports.models import DocumentKind, Issue, Revision
from reports.review import state_tag
from reports.reviewset import FlagState


class JobBrief(serializers.Serializer):
    """A job in a line."""

    id = serializers.UUIDField()
    number = serializers.IntegerField()
    title = serializers.CharField()
    status = serializers.CharField()
    customer = serializers.CharField(source="site.customer.name")
    site = serializers.CharField(source="site.name")


class QueueEntryShape(serializers.Serializer):
    """A job that waits for a supervisor."""

    job = JobBrief()
    open_stops = serializers.IntegerField(source="stops", help_text="Flags an approval has to wait for.")
    open_warnings = serializers.IntegerField(source="warnings")
    sessions_after_approval = serializers.IntegerField(source="after_approval")
    last_received = serializers.DateTimeField(allow_null=True)


class QueueShape(serializers.Serializer):
    """Submitted and worst first, at most 200."""

    items = QueueEntryShape(many=True)


class ResultShape(serializers.ModelSerializer[Result]):
    """A figure as a ledger line: value ± U, share of design, verdict."""

    flow_m3_per_s = serializers.FloatField(source="flow", allow_null=True)
    flow_expanded_m3_per_s = serializers.FloatField(source="flow_expanded", allow_null=True)
    standard_flow_m3_per_s = serializers.FloatField(source="standard_flow", allow_null=True)
    standard_flow_expanded_m3_per_s = serializers.FloatField(source="standard_flow_expanded", allow_null=True)
    design_flow_m3_per_s = serializers.FloatField(source="design_flow", allow_null=True)

    class Meta:
        model = Result
        fields = (
            "id",
            "outcome",
            "refusal",
            "flow_m3_per_s",
            "flow_expanded_m3_per_s",
            "coverage_factor",
            "standard_flow_m3_per_s",
            "standard_flow_expanded_m3_per_s",
            "design_flow_m3_per_s",
            "share_of_design",
            "share_expanded",
            "tolerance_below",
            "tolerance_above",
            "verdict",
            "probability",
            "accepted",
            "calculation_version",
            "content_digest",
        )


class AnswerShape(serializers.Serializer):
    """What was decided on a flag. `by` is empty where the rules cleared it."""

    id = serializers.UUIDField()
    answer = serializers.CharField(source="kind")
    reason = serializers.CharField()
    by = serializers.CharField(source="member.name", default="")
    answered_at = serializers.DateTimeField()


class FlagShape(serializers.Serializer):
    """What a rule saw. `state`: open, accept, remeasure or cleared; the newest answer comes first."""

    id = serializers.UUIDField(source="flag.id")
    rule = serializers.CharField(source="flag.rule")
    severity = serializers.CharField(source="flag.severity")
    seen = serializers.CharField(source="flag.seen")
    expected = serializers.CharField(source="flag.expected")
    advice = serializers.CharField(source="flag.advice")
    rule_source = serializers.CharField(source="flag.source", help_text="Standard or practice behind it.")
    system = serializers.UUIDField(source="flag.system_id", allow_null=True)
    test_point = serializers.UUIDField(source="flag.test_point_id", allow_null=True)
    session = serializers.UUIDField(source="flag.session_id", allow_null=True)
    raised_at = serializers.DateTimeField(source="flag.raised_at")
    state = serializers.CharField()
    blocks = serializers.BooleanField(help_text="Whether an approval has to wait for it.")
    etag = serializers.SerializerMethodField(help_text="For If-Match when it is answered.")
    answers = AnswerShape(many=True)

    def get_etag(self, state: FlagState) -> str:
        return etag(state_tag(state.newest))


class ReplacedShape(serializers.Serializer):
    """A session that a newer one replaced."""

    session = serializers.UUIDField(source="id")
    content_digest = serializers.CharField()
    started_at = serializers.DateTimeField()


class MeasuredShape(serializers.Serializer):
    """A session that counts. `result` is null until it is evaluated."""

    session = serializers.UUIDField(source="session.id")
    method = serializers.CharField(source="session.method")
    measured_by = serializers.CharField(source="session.member.name")
    started_at = serializers.DateTimeField(source="session.started_at")
    finished_at = serializers.DateTimeField(source="session.finished_at")
    content_digest = serializers.CharField(source="session.content_digest")
    reason = serializers.CharField(source="session.reason", help_text="Why it replaced another.")
    result = ResultShape(allow_null=True)
    replaced = ReplacedShape(many=True)


class PointShape(serializers.Serializer):
    """A test point with its sessions, oldest first; the last one's figure stands."""

    id = serializers.UUIDField(source="point.id")
    tag = serializers.CharField(source="point.tag")
    kind = serializers.CharField(source="point.kind")
    missing = serializers.BooleanField()
    sessions = MeasuredShape(many=True)


class SystemShape(serializers.Serializer):
    id = serializers.UUIDField(source="system.id")
    tag = serializers.CharField(source="system.tag")
    points = PointShape(many=True)


class ReviewShape(serializers.Serializer):
    """All that an approval would bind. Send the ETag back in If-Match to approve exactly this."""

    job = JobBrief()
    digest = serializers.CharField(help_text="SHA-256 of the set; the ETag without its quotes.")
    systems = SystemShape(many=True)
    elsewhere = MeasuredShape(
        many=True, source="stray", help_text="Sessions at points outside the job's systems."
    )
    flags = FlagShape(many=True, help_text="Worst first.")
    past_flags = FlagShape(many=True, help_text="Of replaced sessions, or cleared since.")
    waiting_for = serializers.SerializerMethodField(help_text="What an approval still has to wait for.")

    @extend_schema_field(serializers.ListField(child=serializers.CharField()))
    def get_waiting_for(self, found: Any) -> list[str]:
        flags = [f"flag {state.flag.id}: {state.flag.rule}" for state in found.blocking]
        return flags + [f"session {one.session.id}: not evaluated yet" for one in found.pending]


class AnswerInput(Strict):
    """An answer to a flag."""

    answer = serializers.ChoiceField(choices=[AnswerKind.ACCEPT.value, AnswerKind.REMEASURE.value])
    reason = serializers.CharField(
        min_length=SHORTEST_REASON, max_length=LONGEST_REASON, help_text="Printed in the report."
    )


class AnswerMade(AnswerShape):
    flag = serializers.UUIDField(source="flag_id")


class RevisionShape(serializers.ModelSerializer[Revision]):
    """A job as it was approved."""

    job = serializers.UUIDField(source="job_id")
    supersedes = serializers.UUIDField(source="supersedes_id", allow_null=True)
    approved_by = serializers.CharField(source="approved_by.name")

    class Meta:
        model = Revision
        fields = (
            "id",
            "job",
            "kind",
            "revision",
            "supersedes",
            "approved_by",
            "approved_at",
            "self_approved",
            "set_digest",
            "snapshot_digest",
            "paper",
        )


class FileShape(serializers.Serializer):
    sha256 = serializers.CharField()
    size_bytes = serializers.IntegerField(source="size")
    pages = serializers.IntegerField()
    rendered_at = serializers.DateTimeField()


class ReportShape(serializers.ModelSerializer[Issue]):
    """An issued report. `state`: rendering, issued or failed (then `reason` says why)."""

    kind = serializers.ChoiceField(choices=DocumentKind.choices, source="revision.kind")
    job = serializers.UUIDField(source="revision.job_id")
    job_number = serializers.IntegerField(source="revision.job.number")
    customer = serializers.CharField(source="revision.job.site.customer.name")
    revision_id = serializers.UUIDField()
    revision = serializers.IntegerField(source="revision.revision")
    superseded_by = serializers.SerializerMethodField(help_text="The newest issued revision, if not this.")
    issued_by = serializers.CharField(source="issued_by.name")
    snapshot_digest = serializers.CharField(source="revision.snapshot_digest")
    state = serializers.SerializerMethodField()
    reason = serializers.SerializerMethodField()
    file = serializers.SerializerMethodField()
    check_address = serializers.SerializerMethodField()

    class Meta:
        model = Issue
        fields = (
            "id",
            "number",
            "kind",
            "job",
            "job_number",
            "customer",
            "revision_id",
            "revision",
            "superseded_by",
            "issued_by",
            "issued_at",
            "snapshot_digest",
            "state",
            "reason",
            "file",
            "check_address",
        )

    def get_superseded_by(self, made: Issue) -> int | None:
        newest = getattr(made, "newest", made.revision.revision)
        return int(newest) if newest > made.revision.revision else None

    @extend_schema_field(serializers.ChoiceField(choices=["rendering", "issued", "failed"]))
    def get_state(self, made: Issue) -> str:
        return self._state(made)[0]

    def get_reason(self, made: Issue) -> str:
        return self._state(made)[1]

    def _state(self, made: Issue) -> tuple[str, str]:
        states: dict[Any, tuple[str, str]] = self.context.get("states", {})
        return states[made.id] if made.id in states else issuing.state_of(made)

    @extend_schema_field(FileShape(allow_null=True))
    def get_file(self, made: Issue) -> Any:
        file = next(iter(made.files.all()), None)
        return FileShape(file).data if file else None

    def get_check_address(self, made: Issue) -> str:
        return issuing.check_address(made)


class SignedShape(serializers.Serializer):
    """How the issued file is signed: level by ETSI EN 319 142-1, whom the certificate names, when."""

    level = serializers.ChoiceField(choices=["none", "B-B", "B-T"])
    signer = serializers.CharField()
    at = serializers.DateTimeField(allow_null=True)
    fingerprint = serializers.CharField(help_text="SHA-256 of the signing certificate.")


class FindingShape(serializers.Serializer):
    """What a file is: current, superseded by a later revision, under recall (a bad instrument was used), or
    unknown (not ours, or altered)."""

    standing = serializers.ChoiceField(choices=["current", "superseded", "under_recall", "unknown"])
    sentence = serializers.CharField()
    sha256 = serializers.CharField()
    number = serializers.CharField(allow_null=True)
    revision = serializers.IntegerField(allow_null=True)
    issued_at = serializers.DateTimeField(allow_null=True)
    newest = serializers.IntegerField(allow_null=True)
    signed = SignedShape(allow_null=True)
