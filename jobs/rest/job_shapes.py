"""Shapes of jobs and their assignments at the door."""

from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from jobs.http.door import Strict
from jobs.models import InstrumentAssignment, Job, PersonAssignment, System
from jobs.readiness import State

SPELL = ("starts_on", "ends_on", "from_time", "to_time", "starts_at", "ends_at")


class JobChange(Strict):
    title = serializers.CharField(max_length=200)
    systems = serializers.ListField(child=serializers.UUIDField(), max_length=200)
    starts_on = serializers.DateField()
    ends_on = serializers.DateField(help_text="The last day, included.")
    notes = serializers.CharField(max_length=4000, allow_blank=True, required=False)
    tolerance_below = serializers.FloatField(
        allow_null=True, required=False, help_text="Share, 0.1 for 10 %; empty: the company's."
    )
    tolerance_above = serializers.FloatField(allow_null=True, required=False)


class JobIn(JobChange):
    site = serializers.UUIDField()


class DaysIn(Strict):
    starts_on = serializers.DateField(required=False, help_text="The job's first day unless told.")
    ends_on = serializers.DateField(required=False, help_text="The job's last day unless told.")
    from_time = serializers.TimeField(
        required=False,
        allow_null=True,
        help_text="Clock at the site on the first day, e.g. 13:00; the company's hours unless told.",
    )
    to_time = serializers.TimeField(
        required=False, allow_null=True, help_text="Clock at the site on the last day."
    )


class JobPersonIn(DaysIn):
    member = serializers.UUIDField()


class JobInstrumentIn(DaysIn):
    instrument = serializers.UUIDField()


class CancelIn(Strict):
    reason = serializers.CharField(max_length=2000)


class JobSystemOut(serializers.ModelSerializer):
    class Meta:
        model = System
        ref_name = "JobSystem"
        fields = ["id", "tag", "name", "kind"]


class PersonOut(serializers.ModelSerializer):
    member = serializers.UUIDField(source="member_id")
    name = serializers.CharField(source="member.name")

    class Meta:
        model = PersonAssignment
        ref_name = "JobPerson"
        fields = ["member", "name", *SPELL]


class InstrumentOut(serializers.ModelSerializer):
    instrument = serializers.UUIDField(source="instrument_id")
    serial = serializers.CharField(source="instrument.serial")
    name = serializers.CharField(source="instrument.name")
    kind = serializers.CharField(source="instrument.kind")
    warnings = serializers.ListField(child=serializers.CharField())

    class Meta:
        model = InstrumentAssignment
        ref_name = "JobInstrument"
        fields = ["instrument", "serial", "name", "kind", *SPELL, "warnings"]


class JobOut(serializers.ModelSerializer):
    site = serializers.UUIDField(source="site_id")
    site_name = serializers.CharField(source="site.name")
    customer = serializers.UUIDField(source="site.customer_id")
    customer_name = serializers.CharField(source="site.customer.name")
    systems = serializers.SerializerMethodField()
    people = PersonOut(many=True)
    instruments = InstrumentOut(many=True)

    class Meta:
        model = Job
        fields = [
            *("id", "number", "title", "status", "site", "site_name", "customer", "customer_name"),
            *("starts_on", "ends_on", "notes", "tolerance_below", "tolerance_above"),
            *("systems", "people", "instruments", "created_at", "version"),
        ]

    @extend_schema_field(JobSystemOut(many=True))
    def get_systems(self, job: Job) -> Any:
        return JobSystemOut([one.system for one in job.job_systems.all()], many=True).data


class CheckOut(serializers.Serializer):
    item = serializers.CharField()
    state = serializers.ChoiceField([(state.value, state.value) for state in State])
    detail = serializers.CharField()

    class Meta:
        ref_name = "ReadinessCheck"


class ReadinessOut(serializers.Serializer):
    """`missing` must be put right before the job can start; `look` is worth a look."""

    ready = serializers.BooleanField()
    checks = CheckOut(many=True)
    on_site = serializers.ListField(child=serializers.CharField(), help_text="Before the first reading.")


def job_fields(data: dict[str, Any]) -> dict[str, Any]:
    """Checked input by the names of the action."""
    names = {"site": "site_id", "systems": "system_ids", "member": "member_id", "instrument": "instrument_id"}
    return {names.get(name, name): value for name, value in data.items()}
