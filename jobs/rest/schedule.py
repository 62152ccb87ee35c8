"""The door of the design schedule."""

from collections.abc import Mapping
from typing import IO, Any
from uuid import UUID

from django.http import HttpResponse
from drf_spectacular.utils import OpenApiExample, OpenApiParameter, extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.parsers import BaseParser, MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.access import Action
from jobs.errors import Fault, Invalid, TooLarge
from jobs.http.door import Door
from jobs.http.idempotency import Repeatable
from jobs.http.parsing import body_of, read_json
from jobs.rest.examples import sent
from jobs.rest.fields import AnyJson, yes_or_no
from jobs.schedule import Imported, import_schedule, preview
from jobs.schedule_columns import Match, Matching, Source
from jobs.schedule_export import schedule_csv, schedule_xlsx
from jobs.schedule_said import read_said
from jobs.sheets import MOST_BYTES

XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
# The frame of a multipart body comes on top of the file.
MOST_BODY = MOST_BYTES + 64 * 1024
MOST_CHANGES = 1000


AS = {"csv": (schedule_csv, "text/csv; charset=utf-8"), "xlsx": (schedule_xlsx, XLSX)}


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


class FieldChangeOut(serializers.Serializer):
    field = serializers.CharField()
    before = AnyJson(allow_null=True)
    after = AnyJson(allow_null=True)

    class Meta:
        ref_name = "ScheduleFieldChange"


def field_changes(fields: Mapping[str, tuple[Any, Any]]) -> list[dict[str, Any]]:
    return [
        {"field": name, "before": before, "after": after} for name, (before, after) in sorted(fields.items())
    ]


class ChangeOut(serializers.Serializer):
    row = serializers.IntegerField()
    system = serializers.CharField()
    tag = serializers.CharField()
    added = serializers.BooleanField()
    fields_changed = serializers.SerializerMethodField()
    values = serializers.SerializerMethodField(help_text="What was and what will be, SI.")

    class Meta:
        ref_name = "ScheduleChange"

    def get_fields_changed(self, change: Any) -> list[str]:
        return sorted(change.fields)

    @extend_schema_field(FieldChangeOut(many=True))
    def get_values(self, change: Any) -> Any:
        return field_changes(change.fields)


class SystemChangeOut(serializers.Serializer):
    tag = serializers.CharField()
    added = serializers.BooleanField()
    values = serializers.SerializerMethodField(help_text="What was and what will be.")

    class Meta:
        ref_name = "ScheduleSystemChange"

    @extend_schema_field(FieldChangeOut(many=True))
    def get_values(self, change: Any) -> Any:
        return field_changes(change.fields)


class MatchOut(serializers.Serializer):
    """What one column of the file was taken for, and how that was known."""

    column = serializers.CharField(source="letter", help_text="As spreadsheets name it, e.g. C.")
    head = serializers.CharField()
    means = serializers.SerializerMethodField(help_text="Empty: the column was not read.")
    unit = serializers.SerializerMethodField(help_text="UCUM; empty: as the cells say.")
    known_by = serializers.ChoiceField(
        [one.value for one in Source if one.value],
        source="source",
        allow_blank=True,
        help_text="said, name (a head of ours), remembered (of the customer), head (guessed), values.",
    )

    class Meta:
        ref_name = "ScheduleColumn"

    def get_means(self, match: Match) -> str:
        return match.column or ""

    def get_unit(self, match: Match) -> str:
        return match.unit.name if match.column and match.unit else ""


class ImportedOut(serializers.Serializer):
    """What the import did or, of a preview, would do."""

    stored = serializers.BooleanField()
    rows = serializers.IntegerField()
    file_sha256 = serializers.CharField(source="digest")
    plan = serializers.CharField(help_text="Digest of all that changes; send it with the import.")
    systems = CountsOut()
    points = CountsOut()
    notes = serializers.ListField(child=serializers.CharField(), help_text="What is worth a look.")
    columns = MatchOut(many=True)
    system_changes = SystemChangeOut(many=True)
    changes = serializers.SerializerMethodField(
        help_text=f"The first {MOST_CHANGES} points added or changed."
    )

    @extend_schema_field(ChangeOut(many=True))
    def get_changes(self, found: Imported) -> Any:
        return ChangeOut(found.changes[:MOST_CHANGES], many=True).data


class FileIn(serializers.Serializer):
    file = serializers.FileField()
    columns = serializers.CharField(
        required=False,
        help_text='JSON: {"columns": {"C": {"is": "design flow", "unit": "L/s"}},'
        ' "all_rows": {"kind": "outlet"}, "head_row": 3}.',
    )


FILE_EXAMPLE = """\
System,Tag,Kind,Parent,Shape,Width [mm],Height [mm],Design flow [L/s],Location
AHU-3,MD-1,plane,,rectangular,500,400,270,Plant room
AHU-3,S-1,outlet,MD-1,,,,90,Reading room
AHU-3,S-2,outlet,MD-1,,,,180,Hall
"""
EXAMPLE = {
    "stored": True,
    "rows": 14,
    "file_sha256": "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08",
    "plan": "60303ae22b998861bce3b28f33eec1be758a213c86c93c076dbe9f558c11c752",
    "systems": {"added": 1, "changed": 0, "unchanged": 0},
    "points": {"added": 14, "changed": 0, "unchanged": 0},
    "notes": ["Columns that were not read: R 'supplier'."],
    "columns": [{"column": "A", "head": "System", "means": "system", "unit": "", "known_by": "name"}],
    "system_changes": [{"tag": "AHU-1", "added": True, "values": []}],
    "changes": [
        {
            "row": 2,
            "system": "AHU-1",
            "tag": "MD-1",
            "added": True,
            "fields_changed": ["kind"],
            "values": [{"field": "kind", "before": "", "after": "plane"}],
        }
    ],
}


class Schedule(Repeatable, Door):
    """A CSV or XLSX file with systems and test points of a site."""

    needs = {"GET": Action.READ, "POST": Action.PLAN}
    parser_classes = (MultiPartParser, FileParser, WorkbookParser, OctetParser)
    serializer_class = ImportedOut

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        if int(request._request.META.get("CONTENT_LENGTH") or 0) > MOST_BODY:
            raise TooLarge(f"The file is larger than {MOST_BYTES} bytes. Split it by system.")
        super().initial(request, *args, **kwargs)

    @extend_schema(
        operation_id="schedule_export",
        tags=["register"],
        parameters=[
            OpenApiParameter("as", str, enum=list(AS), description="csv (unless told) or xlsx."),
        ],
        responses={
            (200, "text/csv"): {"type": "string", "format": "binary"},
            (200, XLSX): {"type": "string", "format": "binary"},
        },
    )
    def get(self, request: Request, site_id: UUID) -> HttpResponse:
        """The design schedule of a site in the columns that are imported.

        Importing it again changes nothing.
        """
        kind = self.filters("as").get("as", "csv")
        if kind not in AS:
            raise Invalid("'as' is csv or xlsx.", [Fault("query:as", "is neither")])
        make, media_type = AS[kind]
        response = HttpResponse(make(self.actor, site_id), content_type=media_type)
        response["Content-Disposition"] = f'attachment; filename="schedule.{kind}"'
        return response

    @extend_schema(
        operation_id="schedule_import",
        tags=["register"],
        parameters=[
            OpenApiParameter(
                "preview", bool, description="true: only tell what would change; nothing is stored."
            ),
            OpenApiParameter(
                "plan", str, description="`plan` of a preview: import only if it is still what would change."
            ),
        ],
        request={
            "multipart/form-data": FileIn,
            "text/csv": {"type": "string", "format": "binary"},
            XLSX: {"type": "string", "format": "binary"},
        },
        responses={200: ImportedOut},
        examples=[
            OpenApiExample("Imported", EXAMPLE, response_only=True),
            *sent("Three points", FILE_EXAMPLE, "text/csv"),
        ],
    )
    def post(self, request: Request, site_id: UUID) -> Response:
        """Import a design schedule, all or nothing.

        Heads: system, tag and kind must be there; system name, system kind, parent, location, shape, width,
        height, diameter, size unit, design flow, flow unit, density basis, tolerance below % and tolerance
        above % may be; `size` holds 500 x 400 or ø250 in one cell. Units may stand in heads, e.g. `width
        [mm]`. What engineers usually write as heads is understood; what may mean two things is refused. In a
        form, the part `columns` says what columns mean; that is remembered for the customer's next file.
        Formulas are refused: paste values. Faults name the cell, e.g. C7. A revised schedule is sent again:
        points are found by their tag, changed or left, never deleted. At most 2 MB, 10,000 rows and 60
        columns.
        """
        name, file = read_file(request)
        asked, said = self.filters("preview", "plan"), read_columns(request)
        if read_preview(asked):
            found = preview(self.actor, site_id, file, said)
        else:
            plan = asked.get("plan", "")
            found = import_schedule(self.actor, site_id, file, said, file_name=name, plan=plan)
        return Response(ImportedOut(found).data)


def read_preview(given: Mapping[str, str]) -> bool:
    try:
        return yes_or_no(given.get("preview", "false"))
    except KeyError:
        raise Invalid("'preview' is true or false.", [Fault("query:preview", "is neither")]) from None


def read_columns(request: Request) -> Matching:
    """What the form's part `columns` says. Raises BadJson or Invalid."""
    data: Any = request.data
    text = None if isinstance(data, bytes) else data.get("columns")
    if not text:
        return Matching()
    return read_matching(read_json(str(text).encode()))


def read_matching(value: Any) -> Matching:
    """What is said of the columns, as JSON. Raises Invalid."""
    try:
        return read_said(value)
    except Invalid as error:
        faults = [Fault(f"/columns{fault.pointer.rstrip('/')}", fault.detail) for fault in error.faults]
        raise Invalid(error.detail, faults) from None


def read_file(request: Request) -> tuple[str, bytes]:
    """Name and bytes of the file: the body itself, or the one part `file` of a form. Raises Invalid."""
    data: Any = request.data
    if isinstance(data, bytes):
        return "", data
    files = [file for _, group in request.FILES.lists() for file in group]
    if len(files) != 1 or "file" not in request.FILES:
        raise Invalid("Send one file, as part 'file'.", [Fault("/file", f"there are {len(files)} files")])
    return files[0].name or "", files[0].read()
