"""Thin doors to the removal of the whole company."""

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.access import Action
from jobs.errors import NotFound
from jobs.http.door import Door, Strict
from jobs.http.idempotency import Repeatable
from jobs.rest import examples as ids
from reports import removal


class RemovalInput(Strict):
    """Which export holds everything, and the company's name, typed by whoever asks."""

    export = serializers.UUIDField()
    name = serializers.CharField(max_length=120)


class RemovalShape(serializers.Serializer):
    """A removal that was asked for. Until `due_at` it can be taken back."""

    asked_at = serializers.DateTimeField(source="request.at")
    asked_by = serializers.CharField(source="request.member.name")
    export = serializers.UUIDField(source="request.export_id")
    manifest_digest = serializers.CharField(source="request.export.manifest_digest")
    due_at = serializers.DateTimeField()
    begun = serializers.BooleanField()


class CompanyRemoval(Repeatable, Door):
    """The removal of the whole company."""

    needs = {"GET": Action.MANAGE_COMPANY, "POST": Action.MANAGE_COMPANY}
    serializer_class = RemovalShape

    @extend_schema(operation_id="removal", tags=["company"], responses=RemovalShape)
    def get(self, request: Request) -> Response:
        """The removal that was asked for; 404 when there is none."""
        found = removal.standing(self.actor)
        if found is None:
            raise NotFound("No removal was asked for.")
        return Response(RemovalShape(found).data)

    @extend_schema(
        operation_id="removal_ask",
        examples=ids.sent("Everything", {"export": ids.EXPORT, "name": ids.COMPANY_NAME}),
        tags=["company"],
        request=RemovalInput,
        responses={202: RemovalShape},
    )
    def post(self, request: Request) -> Response:
        """Asks for the removal of every row and file of the company in 14 days.

        Needs an export that holds everything and whose file was fetched. Whatever happens in the company
        meanwhile stops the removal. For who signed in within ten minutes; else 403, sign-in-again.
        """
        given = self.read(RemovalInput)
        found = removal.ask(self.actor, export_id=given["export"], name=given["name"])
        return Response(RemovalShape(found).data, status=202)


class RemovalWithdrawal(Repeatable, Door):
    """Taking the removal back."""

    needs = {"POST": Action.MANAGE_COMPANY}

    @extend_schema(operation_id="removal_withdraw", tags=["company"], request=None, responses={204: None})
    def post(self, request: Request) -> Response:
        """Nothing is removed then. 409 when it has begun."""
        removal.withdraw(self.actor)
        return Response(status=204)
