"""Shapes of the planning board, travel times and calendar addresses at the door."""

from rest_framework import serializers

from jobs.bookings import MOST_MINUTES, Kind
from jobs.http.door import Strict
from jobs.models import JobStatus, TravelTime

KINDS = [(kind.value, kind.value) for kind in Kind]


class BarOut(serializers.Serializer):
    """One booking. `holds`: nothing else can be planned then."""

    job = serializers.UUIDField(source="job.id")
    number = serializers.IntegerField(source="job.number")
    title = serializers.CharField(source="job.title")
    status = serializers.ChoiceField(choices=JobStatus.choices, source="job.status")
    site = serializers.UUIDField(source="job.site_id")
    site_name = serializers.CharField(source="job.site.name")
    time_zone = serializers.CharField(source="job.site.time_zone")
    starts_on = serializers.DateField(source="row.starts_on")
    ends_on = serializers.DateField(source="row.ends_on")
    from_time = serializers.TimeField(source="row.from_time", allow_null=True)
    to_time = serializers.TimeField(source="row.to_time", allow_null=True)
    starts_at = serializers.DateTimeField(source="row.starts_at")
    ends_at = serializers.DateTimeField(source="row.ends_at")
    holds = serializers.BooleanField(source="row.holds")
    against = serializers.ListField(
        child=serializers.CharField(), help_text="What does not fit as it stands."
    )

    class Meta:
        ref_name = "PlanBooking"


class LineOut(serializers.Serializer):
    id = serializers.UUIDField(help_text="Of the member or the instrument.")
    name = serializers.CharField()
    remark = serializers.CharField()
    bookings = BarOut(many=True, source="bars")

    class Meta:
        ref_name = "PlanLine"


class WaitingOut(serializers.Serializer):
    job = serializers.UUIDField(source="job.id")
    number = serializers.IntegerField(source="job.number")
    title = serializers.CharField(source="job.title")
    site_name = serializers.CharField(source="job.site.name")
    starts_on = serializers.DateField(source="job.starts_on")
    ends_on = serializers.DateField(source="job.ends_on")
    lacks = serializers.ListField(child=serializers.CharField())

    class Meta:
        ref_name = "PlanWaiting"


class PlanOut(serializers.Serializer):
    """Days are those of each site."""

    by = serializers.ChoiceField(choices=KINDS)
    days = serializers.ListField(child=serializers.DateField())
    lines = LineOut(many=True)
    waiting = WaitingOut(many=True, help_text="Open jobs that lack people or instruments, at most 100.")


class CandidateOut(serializers.Serializer):
    id = serializers.UUIDField(help_text="Of the member or the instrument.")
    name = serializers.CharField()
    fits = serializers.BooleanField(help_text="Planning would not be refused.")
    refused = serializers.ListField(child=serializers.CharField(), help_text="Why it would be.")
    remarks = serializers.ListField(child=serializers.CharField(), help_text="Kept as warnings.")

    class Meta:
        ref_name = "PlanCandidate"


class CandidatesOut(serializers.Serializer):
    kind = serializers.ChoiceField(choices=KINDS)
    starts_at = serializers.DateTimeField()
    ends_at = serializers.DateTimeField()
    candidates = CandidateOut(many=True)


class TravelIn(Strict):
    one = serializers.UUIDField(help_text="A site.")
    other = serializers.UUIDField(help_text="Another site.")
    minutes = serializers.IntegerField(help_text=f"0 to {MOST_MINUTES}; either way.")


class TravelOut(serializers.ModelSerializer):
    one = serializers.UUIDField(source="one_id")
    other = serializers.UUIDField(source="other_id")
    one_name = serializers.CharField(source="one.name")
    other_name = serializers.CharField(source="other.name")

    class Meta:
        model = TravelTime
        fields = ["id", "one", "one_name", "other", "other_name", "minutes"]


class CalendarOut(serializers.Serializer):
    """The private address of a member's calendar, without its secret."""

    member = serializers.UUIDField()
    made_at = serializers.DateTimeField(allow_null=True, help_text="Null: there is none.")


class CalendarShown(CalendarOut):
    address = serializers.URLField(
        help_text="Shown in this answer only. Whoever knows it reads the calendar."
    )
