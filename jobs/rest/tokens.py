"""Doors to the keys of other systems."""

from uuid import UUID

from django.shortcuts import get_object_or_404
from django.urls import reverse
from drf_spectacular.utils import OpenApiExample, extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from jobs import tokens
from jobs.access import Action
from jobs.http.door import Door
from jobs.http.idempotency import ShownOnce
from jobs.queries import visible_keys
from jobs.rest import serializers_people as shapes


class Keys(ShownOnce, Door):
    needs = {"GET": Action.MANAGE_KEYS, "POST": Action.MANAGE_KEYS}
    serializer_class = shapes.KeyOut
    newest_first = True

    @extend_schema(operation_id="key_list", tags=["keys"], responses=shapes.KeyOut(many=True))
    def get(self, request: Request) -> Response:
        """Keys of other systems, newest first, also ended ones; never their secrets."""
        self.filters()
        return self.page(visible_keys(self.actor), shapes.KeyOut)

    @extend_schema(
        operation_id="key_make",
        tags=["keys"],
        request=shapes.KeyIn,
        responses={201: shapes.KeyShown},
        examples=[
            OpenApiExample("Reading", {"name": "Building portal", "scopes": ["read"]}, request_only=True)
        ],
    )
    def post(self, request: Request) -> Response:
        """Makes a key. `token` is shown in this answer only: a repeat of the request is answered 409."""
        row, text = tokens.make_key(self.actor, **self.read(shapes.KeyIn))
        headers = {"Location": reverse("api-key", args=[row.id])}
        return Response(shapes.KeyShown(row, context={"text": text}).data, status=201, headers=headers)


class KeyDoor(Door):
    needs = {"GET": Action.MANAGE_KEYS, "DELETE": Action.MANAGE_KEYS}
    serializer_class = shapes.KeyOut

    @extend_schema(operation_id="key", tags=["keys"], responses=shapes.KeyOut)
    def get(self, request: Request, key_id: UUID) -> Response:
        """One key, without its secret."""
        return Response(shapes.KeyOut(get_object_or_404(visible_keys(self.actor), id=key_id)).data)

    @extend_schema(operation_id="key_revoke", tags=["keys"], responses={204: None})
    def delete(self, request: Request, key_id: UUID) -> Response:
        """Ends a key at once. It stays in the list, ended."""
        tokens.revoke_key(self.actor, key_id)
        return Response(status=204)
