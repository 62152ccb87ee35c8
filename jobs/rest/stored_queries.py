"""Doors of stored queries of GraphQL."""

from typing import Any
from uuid import UUID

from django.shortcuts import get_object_or_404
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from jobs import stored_queries
from jobs.access import Action
from jobs.http.door import Door, Strict
from jobs.http.graphql import check_document
from jobs.http.idempotency import Repeatable
from jobs.models import StoredQuery
from jobs.queries import visible_stored_queries
from jobs.rest.answers import created
from jobs.rest.examples import sent
from jobs.rest.serializers_people import Person

EXAMPLE = {"name": "Open jobs", "text": '{ jobs(status: "open") { edges { node { number title } } } }'}


class StoredQueryIn(Strict):
    """A document with one operation."""

    name = serializers.CharField(max_length=80, help_text="What it is for.")
    text = serializers.CharField(
        max_length=stored_queries.LONGEST, trim_whitespace=False, help_text="Byte for byte as it is digested."
    )


class StoredQueryOut(serializers.ModelSerializer):
    """A document that is asked by its digest: POST /graphql with {"id": sha256, "variables": …}."""

    member = Person(allow_null=True)
    key = Person(source="token", allow_null=True, help_text="The key that stored it.")

    class Meta:
        model = StoredQuery
        ref_name = "StoredQuery"
        fields = ("id", "name", "sha256", "text", "member", "key", "stored_at")
        read_only_fields = fields


class StoredQueries(Repeatable, Door):
    needs = {"GET": Action.READ, "POST": Action.READ}
    serializer_class = StoredQueryOut
    newest_first = True

    @extend_schema(operation_id="stored_query_list", tags=["keys"], responses=StoredQueryOut(many=True))
    def get(self, request: Request) -> Response:
        """Queries of GraphQL that are asked by their digest, newest first."""
        self.filters()
        return self.page(visible_stored_queries(self.actor), StoredQueryOut)

    @extend_schema(
        operation_id="stored_query_add",
        tags=["keys"],
        request=StoredQueryIn,
        responses={200: StoredQueryOut, 201: StoredQueryOut},
        examples=sent("Open jobs", EXAMPLE),
    )
    def post(self, request: Request) -> Response:
        """Store a query. Its id is the SHA-256 of its text; the same text again is answered with the first.

        It must be valid, with one operation, within the limits of every query. For a key's holder, and for
        those who manage keys.
        """
        given: dict[str, Any] = self.read(StoredQueryIn)
        check_document(given["text"])
        row, is_new = stored_queries.store(self.actor, **given)
        return created("stored-query", row, StoredQueryOut) if is_new else Response(StoredQueryOut(row).data)


class StoredQueryDoor(Door):
    needs = {"GET": Action.READ, "DELETE": Action.READ}
    serializer_class = StoredQueryOut

    @extend_schema(operation_id="stored_query", tags=["keys"], responses=StoredQueryOut)
    def get(self, request: Request, stored_query_id: UUID) -> Response:
        """One stored query."""
        row = get_object_or_404(visible_stored_queries(self.actor), id=stored_query_id)
        return Response(StoredQueryOut(row).data)

    @extend_schema(operation_id="stored_query_forget", tags=["keys"], responses={204: None})
    def delete(self, request: Request, stored_query_id: UUID) -> Response:
        """Remove a query that one's own key stored; those who manage keys remove any."""
        stored_queries.forget(self.actor, stored_query_id)
        return Response(status=204)
