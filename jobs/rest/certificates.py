"""Doors of certificates: their lines, their files, tables of many, and the digital form."""

from collections.abc import Mapping
from datetime import date
from typing import IO, Any
from uuid import UUID

from django.http import HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404
from django.urls import reverse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiExample, OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.parsers import BaseParser, MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from jobs import certificate_table, instruments
from jobs.access import Action, Actor
from jobs.attachments import MOST_BYTES, MOST_FILES, Attachment, file_response, read_attachment
from jobs.dcc.document import read_digital
from jobs.dcc.lines import Entry, entry_for, is_of, serials_of
from jobs.errors import Fault, Invalid, TooLarge
from jobs.http.door import Door, read_filters
from jobs.http.idempotency import Repeatable
from jobs.http.parsing import StrictJsonParser, body_of, read_json
from jobs.models import Instrument
from jobs.queries import visible_certificate_files, visible_certificates, visible_instruments
from jobs.rest import instrument_shapes as shapes
from jobs.rest.answers import created
from jobs.rest.examples import SERIAL, sent
from jobs.rest.fields import yes_or_no
from jobs.rest.schedule import FileIn, FileParser, OctetParser, WorkbookParser, read_file

CERTIFICATE_EXAMPLE = {
    "number": "C-2026-118",
    "laboratory": "Vale Calibration Laboratory",
    "calibrated_on": "2026-02-03",
    "due_on": "2027-02-03",
    "points": [
        {
            "quantity": "pressure", "unit": "Pa", "reference": "100.0", "as_found": "100.4",
            "as_left": "100.1", "expanded_uncertainty": "0.5", "coverage_factor": 2,
        }
    ],
}  # fmt: skip
PARTS = ("certificate", "points", "file")
CSV = "text/csv"
TABLE_EXAMPLE = f"""\
Serial,Number,Laboratory,Calibrated on,Due on,Quantity,Unit,Reference,As found,As left,U,k
{SERIAL},C-2026-118,Vale Calibration Laboratory,2026-02-03,2027-02-03,pressure,Pa,20.0,20.1,20.0,0.2,2
{SERIAL},C-2026-118,Vale Calibration Laboratory,2026-02-03,2027-02-03,pressure,Pa,100.0,100.4,100.1,0.5,2
"""
DIGITAL_EXAMPLE = f"""\
<?xml version="1.0" encoding="UTF-8"?>
<dcc:digitalCalibrationCertificate schemaVersion="3.2.0"
 xmlns:dcc="https://ptb.de/dcc" xmlns:si="https://ptb.de/si">
<dcc:administrativeData>
 <dcc:coreData>
  <dcc:uniqueIdentifier>DCC-2026-7</dcc:uniqueIdentifier>
  <dcc:beginPerformanceDate>2026-02-02</dcc:beginPerformanceDate>
  <dcc:endPerformanceDate>2026-02-03</dcc:endPerformanceDate>
 </dcc:coreData>
 <dcc:items><dcc:item>
  <dcc:name><dcc:content>Manometer</dcc:content></dcc:name>
  <dcc:identifications><dcc:identification>
   <dcc:issuer>manufacturer</dcc:issuer><dcc:value>{SERIAL}</dcc:value>
  </dcc:identification></dcc:identifications>
 </dcc:item></dcc:items>
 <dcc:calibrationLaboratory><dcc:contact>
  <dcc:name><dcc:content>Vale Calibration Laboratory</dcc:content></dcc:name>
 </dcc:contact></dcc:calibrationLaboratory>
</dcc:administrativeData>
<dcc:measurementResults><dcc:measurementResult><dcc:results><dcc:result>
 <dcc:name><dcc:content>Static pressure</dcc:content></dcc:name>
 <dcc:data><dcc:list>
  <dcc:quantity refType="basic_referenceValue"><si:realListXMLList>
   <si:valueXMLList>20.0 100.0</si:valueXMLList><si:unitXMLList>\\pascal</si:unitXMLList>
  </si:realListXMLList></dcc:quantity>
  <dcc:quantity refType="basic_measuredValue"><si:realListXMLList>
   <si:valueXMLList>20.1 100.4</si:valueXMLList><si:unitXMLList>\\pascal</si:unitXMLList>
   <si:expandedUncXMLList>
    <si:uncertaintyXMLList>0.2 0.5</si:uncertaintyXMLList>
    <si:coverageFactorXMLList>2</si:coverageFactorXMLList>
    <si:coverageProbabilityXMLList>0.95</si:coverageProbabilityXMLList>
   </si:expandedUncXMLList>
  </si:realListXMLList></dcc:quantity>
 </dcc:list></dcc:data>
</dcc:result></dcc:results></dcc:measurementResult></dcc:measurementResults>
</dcc:digitalCalibrationCertificate>
"""


class XmlParser(BaseParser):
    """The body is the certificate's XML itself."""

    media_type = "application/xml"

    def parse(
        self,
        stream: IO[Any],
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> Any:
        return body_of((parser_context or {})["request"])


class TextXmlParser(XmlParser):
    media_type = "text/xml"


class Certificates(Repeatable, Door):
    needs = {"GET": Action.READ, "POST": Action.MANAGE_INSTRUMENTS}
    serializer_class = shapes.CertificateOut
    parser_classes = (StrictJsonParser, MultiPartParser)
    newest_first = True

    @extend_schema(
        operation_id="certificate_list", tags=["instruments"], responses=shapes.CertificateOut(many=True)
    )
    def get(self, request: Request, instrument_id: UUID) -> Response:
        """The certificates of an instrument, superseded entries too, the newest entry first."""
        self.filters()
        get_object_or_404(visible_instruments(self.actor), id=instrument_id)
        return self.page(
            visible_certificates(self.actor).filter(instrument_id=instrument_id), shapes.CertificateOut
        )

    @extend_schema(
        operation_id="certificate_enter",
        tags=["instruments"],
        request={"application/json": shapes.CertificateIn, "multipart/form-data": shapes.CertificateForm},
        responses={201: shapes.CertificateOut},
        examples=sent("A manometer's", CERTIFICATE_EXAMPLE),
    )
    def post(self, request: Request, instrument_id: UUID) -> Response:
        """Enter a certificate with its points. It never changes; a wrong entry is superseded by another.

        As a form of several parts it brings its files (`file`, up to five), and its lines may come as a CSV
        or XLSX table (`points`).
        """
        existing_instrument(self.actor, instrument_id)
        data = self._form() if _is_form(request) else self.read(shapes.CertificateIn)
        row = instruments.enter_certificate(
            self.actor, instrument_id=instrument_id, supersedes_id=data.pop("supersedes", None), **data
        )
        return created("certificate", row, shapes.CertificateOut)

    def _form(self) -> dict[str, Any]:
        """The input of a form of several parts. Raises Invalid."""
        parts: Any = self.request.data
        files = self.request.FILES
        if unknown := sorted({*parts, *files} - set(PARTS)):
            known = ", ".join(PARTS)
            raise Invalid(
                "There is a part that means nothing here.",
                [Fault(f"/{name[:80]}", f"There is no such part; there are {known}.") for name in unknown],
            )
        head = read_json(_only(parts.getlist("certificate")).encode())
        tables = files.getlist("points")
        shape = shapes.CertificateHead if tables else shapes.CertificateIn
        checked = shape(data=head)
        checked.is_valid(raise_exception=True)
        data = dict(checked.validated_data)
        if tables:
            data["points"] = [line.point for line in certificate_table.read_lines(tables[0].read())]
        return {**data, "files": _attachments(files.getlist("file"))}


def existing_instrument(actor: Actor, instrument_id: UUID) -> Instrument:
    """Raises Http404."""
    return get_object_or_404(visible_instruments(actor), id=instrument_id)


def _is_form(request: Request) -> bool:
    return bool(request._request.content_type == "multipart/form-data")


def _only(found: list[Any]) -> str:
    if len(found) != 1 or not isinstance(found[0], str):
        raise Invalid("Send one part 'certificate' with JSON.", [Fault("/certificate", "is missing")])
    return found[0]


def _attachments(files: list[Any]) -> list[Attachment]:
    if len(files) > MOST_FILES:
        raise Invalid("There are too many files.", [Fault("/file", f"at most {MOST_FILES}")])
    return [read_attachment(one.name or "", one.read()) for one in files]


class Certificate(Door):
    needs = {"GET": Action.READ}
    serializer_class = shapes.CertificateOut

    @extend_schema(operation_id="certificate_read", tags=["instruments"], responses=shapes.CertificateOut)
    def get(self, request: Request, certificate_id: UUID) -> Response:
        """One certificate."""
        row = get_object_or_404(visible_certificates(self.actor), id=certificate_id)
        return Response(shapes.CertificateOut(row).data)


class CertificateFile(Door):
    needs = {"GET": Action.READ}

    @extend_schema(
        operation_id="certificate_file",
        tags=["instruments"],
        responses={(200, "application/octet-stream"): OpenApiTypes.BINARY},
    )
    def get(self, request: Request, certificate_id: UUID, file_id: UUID) -> HttpResponseBase:
        """A file that came with a certificate, byte for byte, for saving."""
        found = visible_certificate_files(self.actor).filter(certificate_id=certificate_id)
        return file_response(get_object_or_404(found, id=file_id))


# Tables of many


class SentOut(serializers.Serializer):
    serial = serializers.CharField()
    number = serializers.CharField()
    calibrated_on = serializers.DateField()
    due_on = serializers.DateField()
    lines = serializers.IntegerField()
    row = serializers.IntegerField(help_text="Its first row in the table.")
    certificate = serializers.UUIDField(allow_null=True, help_text="Its id; null in a preview.")

    class Meta:
        ref_name = "TableCertificate"


class TableOut(serializers.Serializer):
    """What a table entered or, of a preview, would enter."""

    stored = serializers.BooleanField()
    certificates = SentOut(many=True)
    notes = serializers.ListField(child=serializers.CharField())

    class Meta:
        ref_name = "CertificateTable"


def _table_out(found: certificate_table.Imported) -> dict[str, Any]:
    ids: list[UUID | None] = [one.id for one in found.stored]
    ids = ids or [None] * len(found.certificates)
    rows = [
        {**vars(sent), "lines": len(sent.lines), "certificate": made}
        for (sent, _), made in zip(found.certificates, ids, strict=True)
    ]
    return TableOut({"stored": bool(found.stored), "certificates": rows, "notes": list(found.notes)}).data  # type: ignore[return-value]


class CertificateTable(Repeatable, Door):
    """A CSV or XLSX file with certificates of many instruments."""

    needs = {"GET": Action.READ, "POST": Action.MANAGE_INSTRUMENTS}
    parser_classes = (MultiPartParser, FileParser, WorkbookParser, OctetParser)
    serializer_class = TableOut

    @extend_schema(
        operation_id="certificate_table_template",
        tags=["instruments"],
        parameters=[OpenApiParameter("lines", bool, description="true: the lines of one certificate only.")],
        responses={(200, CSV): OpenApiTypes.BINARY},
    )
    def get(self, request: Request) -> HttpResponse:
        """The template of the table: its heads and one example row."""
        return table_template(read_flag("lines", self.filters("lines")))

    @extend_schema(
        operation_id="certificate_table_enter",
        examples=sent("Two lines of one certificate", TABLE_EXAMPLE, CSV),
        tags=["instruments"],
        parameters=[OpenApiParameter("preview", bool, description="true: say what would be entered only.")],
        request={
            CSV: OpenApiTypes.BINARY,
            "application/octet-stream": OpenApiTypes.BINARY,
            "multipart/form-data": FileIn,
        },
        responses=TableOut,
    )
    def post(self, request: Request) -> Response:
        """Enter the certificates of many instruments from a table, all or nothing.

        One row a line, the rows of one certificate together. Faults name the cell, e.g. C7. At most 2 MB and
        200 certificates.
        """
        given = self.filters("preview")
        data = read_file(request)[1]
        if read_flag("preview", given):
            found = certificate_table.preview(self.actor, data)
        else:
            found = certificate_table.enter_certificates(self.actor, data)
        return Response(_table_out(found))


def table_template(lines_only: bool) -> HttpResponse:
    name = "certificate-lines.csv" if lines_only else "certificates.csv"
    response = HttpResponse(certificate_table.template(lines_only=lines_only), content_type=CSV)
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    return response


def read_flag(name: str, given: Mapping[str, str], otherwise: str = "false") -> bool:
    """A query parameter that is true or false. Raises Invalid."""
    try:
        return yes_or_no(given.get(name, otherwise))
    except KeyError:
        raise Invalid(f"'{name}' is true or false.", [Fault(f"query:{name}", "is neither")]) from None


# The digital form


class DigitalOut(serializers.Serializer):
    """What a digital certificate would enter, or entered."""

    stored = serializers.BooleanField()
    number = serializers.CharField()
    laboratory = serializers.CharField()
    accreditation = serializers.CharField()
    calibrated_on = serializers.DateField()
    points = shapes.CertificatePointOut(many=True)
    notes = serializers.ListField(child=serializers.CharField(), help_text="What to know before entering.")
    certificate = serializers.UUIDField(allow_null=True, help_text="Its id; null in a preview.")

    class Meta:
        ref_name = "DigitalCertificate"


def _digital_out(entry: Entry, certificate_id: UUID | None) -> dict[str, Any]:
    return {
        "stored": certificate_id is not None,
        "number": entry.number,
        "laboratory": entry.laboratory,
        "accreditation": entry.accreditation,
        "calibrated_on": entry.calibrated_on,
        "points": [] if entry.is_open else entry.points(),
        "notes": list(entry.notes),
        "certificate": certificate_id,
    }


class DigitalCertificate(Repeatable, Door):
    """A Digital Calibration Certificate (DCC, https://ptb.de/dcc) as XML."""

    needs = {"POST": Action.MANAGE_INSTRUMENTS}
    parser_classes = (XmlParser, TextXmlParser, OctetParser, MultiPartParser)
    serializer_class = DigitalOut

    @extend_schema(
        operation_id="certificate_digital",
        examples=sent("A manometer's", DIGITAL_EXAMPLE, "application/xml"),
        tags=["instruments"],
        parameters=[
            OpenApiParameter(
                "due_on",
                date,
                description="The last day on which it holds; the XML has none.",
                examples=[OpenApiExample("A year later", "2027-02-03")],
            ),
            OpenApiParameter("preview", bool, description="true: say what would be entered only."),
            OpenApiParameter("adjusted", bool, description="false: nothing was adjusted, found is left."),
            OpenApiParameter("supersedes", UUID, description="The wrong entry that this one puts right."),
        ],
        request={
            "application/xml": OpenApiTypes.BINARY,
            "application/octet-stream": OpenApiTypes.BINARY,
            "multipart/form-data": FileIn,
        },
        responses={200: DigitalOut, 201: DigitalOut},
    )
    def post(self, request: Request, instrument_id: UUID) -> Response:
        """Enter an instrument's certificate from its digital form; the XML is attached to it.

        Read are number, laboratory, days, items and result tables of schema generations 2 and 3. An item must
        have the instrument's serial number. Its signature is not verified.
        """
        tool = get_object_or_404(visible_instruments(self.actor), id=instrument_id)
        given = read_filters(request, ("due_on", "preview", "adjusted", "supersedes"))
        name, data = read_file(request)
        if len(data) > MOST_BYTES:
            raise TooLarge(f"The file has {len(data)} bytes; at most {MOST_BYTES} are taken.")
        entry = _entry(tool, data, adjusted=read_flag("adjusted", given, "true"))
        if read_flag("preview", given):
            return Response(DigitalOut(_digital_out(entry, None)).data)
        row = instruments.enter_certificate(
            self.actor,
            instrument_id=instrument_id,
            number=entry.number,
            laboratory=entry.laboratory,
            accreditation=entry.accreditation,
            calibrated_on=entry.calibrated_on,
            due_on=_due_on(given),
            points=entry.points(),
            supersedes_id=_id("supersedes", given),
            files=[read_attachment(name or f"{entry.number}.xml", data)],
        )
        headers = {"Location": reverse("api-certificate", args=[row.id])}
        return Response(DigitalOut(_digital_out(entry, row.id)).data, status=201, headers=headers)


def _entry(tool: Instrument, data: bytes, *, adjusted: bool) -> Entry:
    """What the XML says for this instrument. Raises Invalid when it is of another one."""
    digital = read_digital(data)
    if not any(is_of(item, tool.serial) for item in digital.items):
        marks = ", ".join(serials_of(digital))[:120] or "none"
        raise Invalid(
            f"The certificate is not of {tool}.",
            [Fault("items", f"its identifications are: {marks}; this instrument has {tool.serial}")],
        )
    entry = entry_for(digital, tool)
    return entry if adjusted else entry.unadjusted()


def _due_on(given: Mapping[str, str]) -> date:
    try:
        return date.fromisoformat(given["due_on"])
    except (KeyError, ValueError):
        detail = "say the last day on which the certificate holds, e.g. 2027-03-31; the XML has none"
        raise Invalid("The due day is missing or no day.", [Fault("query:due_on", detail)]) from None


def _id(name: str, given: Mapping[str, str]) -> UUID | None:
    try:
        return UUID(given[name]) if name in given else None
    except ValueError:
        raise Invalid(f"'{name}' is an id.", [Fault(f"query:{name}", "is no id")]) from None
