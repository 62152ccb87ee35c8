"""The door to forgetting a person."""

from uuid import UUID

from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from jobs import forgetting
from jobs.access import Action
from jobs.http.door import Door, tagged
from jobs.http.idempotency import Repeatable
from jobs.rest import serializers_people as shapes


class MemberForgotten(Repeatable, Door):
    """Taking a person's name and address away for good."""

    needs = {"POST": Action.MANAGE_PEOPLE}
    serializer_class = shapes.MemberOut

    @extend_schema(operation_id="member_forget", tags=["people"], request=None, responses=shapes.MemberOut)
    def post(self, request: Request, member_id: UUID) -> Response:
        """The name becomes "Former member N"; e-mail, sign-in, tokens and calendars go. It cannot be undone.

        Evidence names people by id and stays whole. Issued reports keep their names. 409 for somebody active.
        """
        member = forgetting.forget(self.actor, member_id)
        return tagged(shapes.MemberOut(member).data, member.version)
