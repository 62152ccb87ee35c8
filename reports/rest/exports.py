"""Thin doors to exports of the whole company."""

from typing import Any
from uuid import UUID

from django.http import FileResponse, HttpResponseBase
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.access import Action
from jobs.errors import NotFound
from jobs.http.door import Door, Strict
from jobs.http.idempotency import Repeatable
from jobs.models import CompanyExport
from jobs.rest.examples import sent
from reports import exports


class ExportInput(Strict):
    """Nothing is told: an export holds everything."""


class ExportShape(serializers.ModelSerializer[CompanyExport]):
    """An export; `state`: making, failed, ready or gone (its file was taken away, its digest stays)."""

    state = serializers.SerializerMethodField()
    asked_by = serializers.CharField(source="asked_by.name", default="", help_text="Empty: an operator.")

    class Meta:
        model = CompanyExport
        fields = (
            "id", "state", "asked_by", "asked_at", "finished_at", "expires_at", "size", "row_count",
            "file_count", "missing_count", "head_number", "manifest_digest",
        )  # fmt: skip

    @extend_schema_field(serializers.ChoiceField(choices=["making", "failed", "ready", "gone"]))
    def get_state(self, row: CompanyExport) -> str:
        return exports.state_of(row)


class Exports(Repeatable, Door):
    """Exports of the whole company."""

    needs = {"GET": Action.MANAGE_COMPANY, "POST": Action.MANAGE_COMPANY}
    serializer_class = ExportShape
    newest_first = True

    @extend_schema(operation_id="export_list", tags=["company"], responses=ExportShape(many=True))
    def get(self, request: Request) -> Response:
        """Exports, newest first, also those whose file is gone."""
        self.filters()
        return self.page(exports.visible_exports(self.actor), ExportShape)

    @extend_schema(
        operation_id="export_ask",
        examples=sent("Everything", {}),
        tags=["company"],
        request=ExportInput,
        responses={202: ExportShape},
    )
    def post(self, request: Request) -> Response:
        """Asks for an export of everything; a worker makes it. While one is being made, that one is told.

        For who signed in within ten minutes; else 403, sign-in-again.
        """
        self.read(ExportInput)
        row = exports.ask(self.actor)
        where = request.build_absolute_uri(f"/api/v1/company/exports/{row.id}")
        return Response(ExportShape(row).data, status=202, headers={"Location": where})


class Export(Door):
    """One export."""

    needs = {"GET": Action.MANAGE_COMPANY}
    serializer_class = ExportShape

    @extend_schema(operation_id="export", tags=["company"], responses=ExportShape)
    def get(self, request: Request, export_id: UUID) -> Response:
        """How an export stands. `manifest_digest` is the SHA-256 of manifest.json in its file: keep it."""
        row = exports.visible_exports(self.actor).filter(id=export_id).first()
        if row is None:
            raise NotFound()
        return Response(ExportShape(row).data)


class ExportFile(Door):
    """The file of an export."""

    needs = {"GET": Action.MANAGE_COMPANY}

    @extend_schema(
        operation_id="export_file",
        tags=["company"],
        responses={(200, "application/zip"): OpenApiTypes.BINARY},
    )
    def get(self, request: Request, export_id: UUID) -> HttpResponseBase:
        """The archive. Each fetch is an event of the log; the file is taken away after some days.

        For who signed in within ten minutes; else 403, sign-in-again.
        """
        row, file = exports.fetch(self.actor, export_id)
        return file_response(row, file)


def file_response(row: CompanyExport, file: Any) -> FileResponse:
    """For saving only."""
    name = f"flowledger-{row.asked_at:%Y-%m-%d}-{row.manifest_digest[:8]}.zip"
    response = FileResponse(file, as_attachment=True, filename=name, content_type="application/zip")
    response["Cache-Control"] = "private, no-store"
    response["X-Content-Type-Options"] = "nosniff"
    return response
