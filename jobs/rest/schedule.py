"""The door of the design schedule."""

from collections.abc import Mapping
from typing import IO, Any
from uuid import UUID

from drf_spectacular.utils import OpenApiExample, OpenApiParameter, extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.parsers import BaseParser, MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.access import Action
from jobs.errors import Fault, Invalid, TooLarge
from jobs.http.door import Door
from jobs.http.idempotency import Repeatable
from jobs.http.parsing import body_of
from jobs.rest.fields import yes_or_no
from jobs.schedule import Imported, import_schedule, preview
from jobs.sheets import MOST_BYTES

XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
# The frame of a multipart body comes on top of the file.
MOST_BODY = MOST_BYTES + 64 * 1024
MOST_CHANGES = 1000


class FileParser(BaseParser):
    """The body is the file itself. What it is, its content tells."""

    media_type = "text/csv"

    def parse(
        self,
        stream: IO[Any],
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> Any:
        return body_of((parser_context or {})["request"])


class WorkbookParser(FileParser):
    media_type = XLSX


class OctetParser(FileParser):
    media_type = "application/octet-stream"


class CountsOut(serializers.Serializer):
    added = serializers.IntegerField()
    changed = serializers.IntegerField()
    unchanged = serializers.IntegerField()

    class Meta:
        ref_name = "ScheduleCounts"


class ChangeOut(serializers.Serializer):
    row = serializers.IntegerField()
    system = serializers.CharField()
    tag = serializers.CharField()
    added = serializers.BooleanField()
    fields_changed = serializers.SerializerMethodField()

    class Meta:
        ref_name = "ScheduleChange"

    def get_fields_changed(self, change: Any) -> list[str]:
        return sorted(change.fields)


class ImportedOut(serializers.Serializer):
    """What the import did or, of a preview, would do."""

    stored = serializers.BooleanField()
    rows = serializers.IntegerField()
    file_sha256 = serializers.CharField(source="digest")
    systems = CountsOut()
    points = CountsOut()
    notes = serializers.ListField(child=serializers.CharField(), help_text="What is worth a look.")
    changes = serializers.SerializerMethodField(
        help_text=f"The first {MOST_CHANGES} points added or changed."
    )

    @extend_schema_field(ChangeOut(many=True))
    def get_changes(self, found: Imported) -> Any:
        return ChangeOut(found.changes[:MOST_CHANGES], many=True).data


class FileIn(serializers.Serializer):
    file = serializers.FileField()


EXAMPLE = {
    "stored": True,
    "rows": 14,
    "file_sha256": "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08",
    "systems": {"added": 1, "changed": 0, "unchanged": 0},
    "points": {"added": 14, "changed": 0, "unchanged": 0},
    "notes": ["Columns that were not read: R 'supplier'."],
    "changes": [{"row": 2, "system": "AHU-1", "tag": "MD-1", "added": True, "fields_changed": ["kind"]}],
}


class Schedule(Repeatable, Door):
    """A CSV or XLSX file with systems and test points of a site."""

    needs = {"POST": Action.PLAN}
    parser_classes = (MultiPartParser, FileParser, WorkbookParser, OctetParser)
    serializer_class = ImportedOut

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        if int(request._request.META.get("CONTENT_LENGTH") or 0) > MOST_BODY:
            raise TooLarge(f"The file is larger than {MOST_BYTES} bytes. Split it by system.")
        super().initial(request, *args, **kwargs)

    @extend_schema(
        operation_id="schedule_import",
        tags=["register"],
        parameters=[
            OpenApiParameter(
                "preview", bool, description="true: only tell what would change; nothing is stored."
            )
        ],
        request={
            "multipart/form-data": FileIn,
            "text/csv": {"type": "string", "format": "binary"},
            XLSX: {"type": "string", "format": "binary"},
        },
        responses={200: ImportedOut},
        examples=[OpenApiExample("Imported", EXAMPLE, response_only=True)],
    )
    def post(self, request: Request, site_id: UUID) -> Response:
        """Import a design schedule, all or nothing.

        Heads: system, tag and kind must be there; system name, system kind, parent, location, shape, width,
        height, diameter, size unit, design flow, flow unit, density basis, tolerance below % and tolerance
        above % may be. Units may stand in heads, e.g. `width [mm]`. Formulas are refused: paste values.
        Faults name the cell, e.g. C7. A revised schedule is sent again: points are found by their tag,
        changed or left, never deleted. At most 2 MB, 10,000 rows and 60 columns.
        """
        name, file = read_file(request)
        if read_preview(self.filters("preview")):
            found = preview(self.actor, site_id, file)
        else:
            found = import_schedule(self.actor, site_id, file, file_name=name)
        return Response(ImportedOut(found).data)


def read_preview(given: Mapping[str, str]) -> bool:
    try:
        return yes_or_no(given.get("preview", "false"))
    except KeyError:
        raise Invalid("'preview' is true or false.", [Fault("query:preview", "is neither")]) from None


def read_file(request: Request) -> tuple[str, bytes]:
    """Name and bytes of the file: the body itself, or the one part `file` of a form. Raises Invalid."""
    data: Any = request.data
    if isinstance(data, bytes):
        return "", data
    files = [file for _, group in request.FILES.lists() for file in group]
    if len(files) != 1 or "file" not in request.FILES:
        raise Invalid("Send one file, as part 'file'.", [Fault("/file", f"there are {len(files)} files")])
    return files[0].name or "", files[0].read()
