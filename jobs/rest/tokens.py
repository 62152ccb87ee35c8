"""Doors to the keys of other systems."""

from uuid import UUID

from django.shortcuts import get_object_or_404
from django.urls import reverse
from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from jobs import integrations, tokens
from jobs.access import Action
from jobs.http.door import Door, seen_version, tagged
from jobs.http.idempotency import Repeatable, ShownOnce
from jobs.queries import visible_integrations, visible_keys
from jobs.rest import examples as ids
from jobs.rest import serializers_people as shapes
from jobs.rest.answers import created
from jobs.rest.examples import sent


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
        examples=sent(
            "Reading", {"name": "Building portal", "scopes": ["read"], "integration": ids.INTEGRATION}
        ),
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


class Integrations(Repeatable, Door):
    needs = {"GET": Action.MANAGE_KEYS, "POST": Action.MANAGE_KEYS}
    serializer_class = shapes.IntegrationOut
    newest_first = True

    @extend_schema(operation_id="integration_list", tags=["keys"], responses=shapes.IntegrationOut(many=True))
    def get(self, request: Request) -> Response:
        """Other systems that are or were connected, newest first."""
        self.filters()
        return self.page(visible_integrations(self.actor), shapes.IntegrationOut)

    @extend_schema(
        operation_id="integration_add",
        tags=["keys"],
        request=shapes.IntegrationIn,
        responses={201: shapes.IntegrationOut},
        examples=sent("Portal", {"name": "Tenants' portal", "contact": "it@portal.example"}),
    )
    def post(self, request: Request) -> Response:
        """Adds an integration; its keys are made by POST /keys."""
        row = integrations.add(self.actor, **self.read(shapes.IntegrationIn))
        return created("integration", row, shapes.IntegrationOut)


class IntegrationDoor(Door):
    needs = {"GET": Action.MANAGE_KEYS, "PATCH": Action.MANAGE_KEYS, "DELETE": Action.MANAGE_KEYS}
    serializer_class = shapes.IntegrationOut

    @extend_schema(operation_id="integration", tags=["keys"], responses=shapes.IntegrationOut)
    def get(self, request: Request, integration_id: UUID) -> Response:
        """One integration."""
        row = get_object_or_404(visible_integrations(self.actor), id=integration_id)
        return tagged(shapes.IntegrationOut(row).data, row.version)

    @extend_schema(
        operation_id="integration_change",
        examples=sent(
            "What it is for", {"contact": "it@portal.example", "purpose": "Shows issued reports to tenants"}
        ),
        tags=["keys"],
        request=shapes.IntegrationChange,
        responses=shapes.IntegrationOut,
    )
    def patch(self, request: Request, integration_id: UUID) -> Response:
        """Changes name, contact or purpose."""
        given = self.read(shapes.IntegrationChange)
        row = integrations.change(self.actor, integration_id, seen_version(request), given)
        return tagged(shapes.IntegrationOut(row).data, row.version)

    @extend_schema(operation_id="integration_end", tags=["keys"], responses={204: None})
    def delete(self, request: Request, integration_id: UUID) -> Response:
        """Ends an integration and all its keys, at once. It stays in the list, ended."""
        integrations.end(self.actor, integration_id)
        return Response(status=204)
