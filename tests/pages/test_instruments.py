"""Pages of instruments and certificates: what is entered is stored, what is refused says where and why."""

import csv
import io
import re
from datetime import timedelta
from typing import Any

import pytest
from django.core.files.storage import default_storage
from django.core.files.uploadedfile import SimpleUploadedFile
from django.http import HttpResponse
from django.test import Client
from django.utils import timezone

from jobs import instruments
from jobs.models import Certificate, CertificateFile, Instrument, InstrumentKind, InstrumentRange, Quantity
from jobs.tenancy.context import company
from tests import factories
from tests.factories import World
from tests.jobs import dcc
from tests.pages.conftest import In, value_of, words

pytestmark = pytest.mark.django_db
PDF = b"%PDF-1.7\nof a test\n%%EOF\n"


def gauge(world: World, **fields: Any) -> Instrument:
    values = {"serial": "M-2041", "name": "Digital manometer", "kind": "manometer"} | fields
    ranges = [instruments.Range(Quantity.PRESSURE, -2500.0, 2500.0, 0.1, 0.3, 0.005)]
    with company(world.id):
        return instruments.add_instrument(world.actor("supervisor"), ranges=ranges, **values)


def rows(prefix: str, *filled: dict[str, str], blank: int = 1) -> dict[str, str]:
    """Rows of a table as a browser sends them."""
    fields = {f"{prefix}-TOTAL_FORMS": str(len(filled) + blank), f"{prefix}-INITIAL_FORMS": "0"}
    for number, row in enumerate(filled):
        fields |= {f"{prefix}-{number}-{name}": value for name, value in row.items()}
    return fields


RANGE = {
    "measure": "pressure|Pa", "minimum": "-2500", "maximum": "2500", "resolution": "0.1",
    "accuracy_absolute": "0.3", "accuracy_of_reading": "0,5",
}  # fmt: skip
INSTRUMENT = {
    "name": "Digital manometer", "serial": "M-7", "kind": "manometer", "maker": "", "probe_length": "36",
    "probe_unit": "[in_i]", "probe_factor": "1.0", "probe_factor_u": "0.005",
}  # fmt: skip
LINE = {
    "measure": "pressure|Pa", "reference": "100.0", "as_found": "100.4", "as_left": "100.1",
    "expanded_uncertainty": "0.5", "coverage_factor": "",
}  # fmt: skip
NEXT = {"reference": "500.0", "as_left": "500.2", "expanded_uncertainty": "0.5", "coverage_factor": "2.1"}


def head(**changes: str) -> dict[str, str]:
    today = timezone.now().date()
    return {
        "number": "C-1", "laboratory": "Vale Calibration Laboratory", "accreditation": "D-K-1",
        "calibrated_on": str(today - timedelta(days=5)), "due_on": str(today + timedelta(days=360)),
    } | changes  # fmt: skip


def error_at(page: HttpResponse, field: str) -> str:
    """What stands at a field as wrong; the field itself says that it is."""
    text = page.content.decode()
    assert re.search(
        rf'id="id_{field}"[^>]*aria-invalid="true"|aria-invalid="true"[^>]*id="id_{field}"', text
    )
    found = re.search(rf'id="id_{field}_error">([^<]*)<', text)
    assert found, f"no error at {field}"
    return found[1]


# Instruments


def test_an_instrument_is_added_in_the_units_that_were_typed(signed_in: In, company_a: World) -> None:
    client = signed_in("dispatcher")
    done = client.post("/instruments/new", INSTRUMENT | rows("ranges", RANGE, blank=3))
    with company(company_a.id):
        tool = Instrument.objects.get(serial="M-7")
        stored = tool.ranges.get()
    assert done["Location"] == f"/instruments/{tool.id}/certificates/new"
    assert (tool.probe_length_m, tool.probe_factor, tool.in_service) == (pytest.approx(0.9144), 1.0, True)
    assert (stored.minimum, stored.resolution, stored.accuracy_of_reading) == (-2500.0, 0.1, 0.005)


@pytest.mark.parametrize(
    ("fields", "row", "place", "text"),
    [
        ({"serial": ""}, {}, "serial", "Enter the serial number."),
        ({"probe_length": "far"}, {}, "probe_length", "is no number"),
        ({"probe_factor": "9"}, {}, "probe_factor", "must be from 0.3 to 3"),
        ({}, {"minimum": "1,234"}, "ranges-0-minimum", "may mean"),
        ({}, {"maximum": ""}, "ranges-0-maximum", "Enter a number."),
        ({}, {"maximum": "-3000"}, "ranges-0-maximum", "must be above the minimum"),
        ({}, {"maximum": "NaN"}, "ranges-0-maximum", "is no number"),
        ({}, {"measure": "pressure|mile"}, "ranges-0-measure", "valid choice"),
        ({}, {"measure": ""}, "ranges-0-measure", "Choose the quantity"),
        ({}, {"resolution": "5001"}, "ranges-0-resolution", "no more than the span"),
    ],
)
def test_a_refused_instrument_says_why_at_its_place(
    signed_in: In, company_a: World, fields: dict[str, str], row: dict[str, str], place: str, text: str
) -> None:
    answer = signed_in("owner").post("/instruments/new", INSTRUMENT | fields | rows("ranges", RANGE | row))
    assert answer.status_code == 422
    assert text in error_at(answer, place)
    with company(company_a.id):
        assert not Instrument.objects.filter(serial="M-7").exists()


def test_a_change_that_leaves_the_ranges_alone_keeps_their_digits(signed_in: In, company_a: World) -> None:
    tool = company_a.instruments["hood"]
    client, address = signed_in("supervisor"), f"/instruments/{tool.id}/change"
    with company(company_a.id):
        InstrumentRange.objects.filter(instrument=tool).update(maximum=1.2345678901234567)
        before = InstrumentRange.objects.get(instrument=tool)
    page = client.get(address)
    shown = {
        name: value_of(page, f"ranges-0-{name}")
        for name in ("minimum", "maximum", "resolution", "accuracy_absolute", "accuracy_of_reading")
    }
    assert shown["maximum"] == "1234.56789"
    fields = {
        "version": value_of(page, "version"), "name": "Hood of the south office", "serial": tool.serial,
        "kind": "flow_hood", "in_service": "on", "probe_unit": "mm",
    }  # fmt: skip
    same = rows("ranges", {"measure": "flow|L/s"} | shown) | {"ranges-INITIAL_FORMS": "1"}
    assert client.post(address, fields | same).status_code == 302
    with company(company_a.id):
        assert InstrumentRange.objects.get(instrument=tool).id == before.id
        assert Instrument.objects.get(id=tool.id).name == "Hood of the south office"
    other = same | {"ranges-0-maximum": "1300"}
    late = client.post(address, fields | other)
    assert late.status_code == 422
    assert "changed since you looked" in words(late)
    fields["version"] = value_of(client.get(address), "version")
    assert client.post(address, fields | other).status_code == 302
    with company(company_a.id):
        assert InstrumentRange.objects.get(instrument=tool).maximum == pytest.approx(1.3)


def test_out_of_service_is_out_of_the_list_and_can_be_shown(signed_in: In, company_a: World) -> None:
    tool = company_a.instruments["hood"]
    client, address = signed_in("supervisor"), f"/instruments/{tool.id}/change"
    fields = {"version": "1", "name": tool.name, "serial": tool.serial, "kind": "flow_hood"}
    page = client.get(address)
    assert 'name="in_service" aria-describedby="id_in_service_helptext" id="id_in_service" checked' in (
        page.content.decode()
    )
    names = ("minimum", "maximum", "resolution", "accuracy_absolute", "accuracy_of_reading")
    shown = {"measure": "flow|L/s"} | {name: value_of(page, f"ranges-0-{name}") for name in names}
    done = client.post(address, fields | rows("ranges", shown), follow=True)
    assert "out of service" in words(done)
    assert f">{tool.serial}<" not in done.content.decode()
    assert f">{tool.serial}<" in client.get("/instruments?out=1").content.decode()
    with company(company_a.id):
        assert not Instrument.objects.get(id=tool.id).in_service
        assert tool.ranges.count() == 1


# The list


def listed(client: Client, query: str = "") -> list[str]:
    """Serial numbers in the list, in their order."""
    page = client.get(f"/instruments{query}").content.decode()
    return re.findall(r'<th scope="row">.*?<span class="mono soft">([^<]*)</span>', page)


def test_the_list_is_filtered_by_an_address_that_can_be_shared(signed_in: In, company_a: World) -> None:
    today = timezone.localdate()
    with company(company_a.id):
        made = {
            name: factories.instrument(
                InstrumentKind.ANEMOMETER,
                (Quantity.VELOCITY, 0.1, 20.0, 0.01),
                serial=name,
                name=f"Vane {name}",
            )
            for name in ("none", "over", "soon", "later")
        }
        for name, days in (("over", -3), ("soon", 20), ("later", 50)):
            factories.certificate(made[name], on=today - timedelta(days=100), days=100 + days)
    client = signed_in("technician")
    assert listed(client)[:4] == ["none", "over", "soon", "later"]
    assert listed(client, "?state=stop") == ["none", "over"]
    assert listed(client, "?due=30") == ["none", "over", "soon"]
    assert listed(client, "?due=60&kind=anemometer") == ["none", "over", "soon", "later"]
    assert listed(client, "?kind=tape") == []
    assert listed(client, "?q=vane+SOON") == ["soon"]
    assert len(listed(client, "?due=x&state=y&kind=z&q=%00")) == 10
    assert "No instrument fits" in words(client.get("/instruments?q=nothing"))
    page = client.get("/instruments?state=stop")
    assert '<option value="stop" selected>' in page.content.decode()
    assert "3 days ago" in words(page)
    table = client.get("/instruments/due.csv?state=stop")
    assert table["Content-Disposition"].startswith("attachment")
    found = list(csv.DictReader(io.StringIO(table.content.decode("utf-8-sig"))))
    assert [(row["serial number"], row["calibration"], row["days left"]) for row in found] == [
        ("none", "No certificate", ""), ("over", "Overdue", "-3"),
    ]  # fmt: skip
    assert found[1]["certificate"].startswith("C-")


def test_text_of_people_is_no_formula_in_the_table(signed_in: In, company_a: World) -> None:
    with company(company_a.id):
        factories.instrument(
            InstrumentKind.TAPE, (Quantity.VOLTAGE, 0.0, 1.0, 0.1), serial="=11", name="@SUM(A1)"
        )
    table = signed_in("owner").get("/instruments/due.csv").content.decode("utf-8-sig")
    found = next(row for row in csv.reader(io.StringIO(table)) if "=11" in row[0])
    assert found[:2] == ["'=11", "'@SUM(A1)"]


def test_who_may_not_manage_sees_the_list_without_acts(signed_in: In, company_a: World) -> None:
    client, tool = signed_in("technician"), company_a.instruments["hood"]
    page = client.get("/instruments").content.decode()
    assert "/change" not in page
    assert "/certificates/new" not in page
    for address in (
        "/instruments/new",
        f"/instruments/{tool.id}/change",
        f"/instruments/{tool.id}/certificates/new",
        f"/certificates/{company_a.certificates['hood'].id}/right",
        "/certificates/digital",
        "/certificates/table",
    ):
        assert client.get(address).status_code == 403, address
        assert client.post(address, {}).status_code == 403, address


def test_ids_of_another_company_lead_nowhere(signed_in: In, company_b: World) -> None:
    client, tool, row = signed_in("owner"), company_b.instruments["hood"], company_b.certificates["hood"]
    for address in (
        f"/instruments/{tool.id}/change",
        f"/instruments/{tool.id}/certificates/new",
        f"/certificates/{row.id}",
        f"/certificates/{row.id}/right",
        f"/certificates/{row.id}/files/{row.id}",
    ):
        assert client.get(address).status_code == 404, address
    for address in (f"/instruments/{tool.id}/change", f"/instruments/{tool.id}/certificates/new"):
        assert client.post(address, head()).status_code == 404, address


# Certificates by hand


def enter(client: Client, tool: Instrument, *lines: dict[str, str], **changes: Any) -> Any:
    files = changes.pop("scans", None)
    data: dict[str, Any] = head(**changes) | rows("points", *lines, blank=4)
    if files:
        data["scans"] = files
    return client.post(f"/instruments/{tool.id}/certificates/new", data)


def test_a_certificate_is_entered_as_printed_with_its_file(signed_in: In, company_a: World) -> None:
    tool, client = gauge(company_a), signed_in("supervisor")
    upload = SimpleUploadedFile("../../scan of C-1.exe", PDF, "text/html")
    done = enter(client, tool, LINE, NEXT, scans=[upload])
    with company(company_a.id):
        row = Certificate.objects.get(number="C-1")
        points = list(row.points.order_by("reference"))
        file = row.files.get()
    assert done["Location"] == f"/certificates/{row.id}"
    assert [(p.reference, p.as_found, p.as_left, p.coverage_factor) for p in points] == [
        (100.0, 100.4, 100.1, 2.0), (500.0, None, 500.2, 2.1),
    ]  # fmt: skip
    assert points[0].entered == "100.0 Pa, found 100.4, left 100.1, U 0.5"
    assert (file.kind, file.size, file.name) == ("pdf", len(PDF), "scan of C-1.exe.pdf")
    assert file.stored == f"certificates/{company_a.id}/{file.id}.pdf"
    shown = client.get(done["Location"])
    assert "100.4" in words(shown)
    assert file.sha256 in words(shown)
    given = client.get(f"/certificates/{row.id}/files/{file.id}")
    assert b"".join(given.streaming_content) == PDF
    assert given["Content-Disposition"] == 'attachment; filename="scan of C-1.exe.pdf"'
    assert given["X-Content-Type-Options"] == "nosniff"
    assert given["Content-Type"] == "application/pdf"
    assert "sandbox" in given["Content-Security-Policy"]


@pytest.mark.parametrize(
    ("change", "place", "text"),
    [
        ({"number": ""}, "number", "Enter the number"),
        ({"due_on": "soon"}, "due_on", "year-month-day"),
        ({"due_on": "2000-01-01"}, "due_on", "must be after the day of calibration"),
        ({"calibrated_on": "2199-01-01", "due_on": "2199-02-01"}, "calibrated_on", "lies in the future"),
        ({"calibrated_on": "0026-01-01"}, "calibrated_on", "Look at the year"),
        ({"points-1-as_left": "500,2 Pa"}, "points-1-as_left", "the unit has a place of its own"),
        ({"points-1-expanded_uncertainty": "0"}, "points-1-expanded_uncertainty", "must be above 0"),
        ({"points-1-coverage_factor": "20"}, "points-1-coverage_factor", "from 1 to 5"),
        ({"points-1-reference": "100"}, "points-1-reference", "stands twice"),
        ({"points-1-measure": "flow|L/s"}, "points-1-measure", "valid choice"),
        ({"carried": "!!"}, "", "damaged on its way"),
        ({"carried": "\u00fc"}, "", "damaged on its way"),
    ],
)
def test_a_refused_certificate_says_why_at_its_place(
    signed_in: In, company_a: World, change: dict[str, str], place: str, text: str
) -> None:
    tool = gauge(company_a)
    answer = signed_in("owner").post(
        f"/instruments/{tool.id}/certificates/new", head() | rows("points", LINE, NEXT) | change
    )
    assert answer.status_code == 422
    assert text in (error_at(answer, place) if place else words(answer))
    with company(company_a.id):
        assert not tool.certificates.exists()


@pytest.mark.parametrize(
    "content", [b"MZ\x90\0", b"<!doctype html><p>", b"GIF89a", b"", b"<a>&b;</a>", b"<a><b></a>"]
)
def test_files_of_other_kinds_are_refused_whatever_they_are_called(
    signed_in: In, company_a: World, content: bytes
) -> None:
    tool = gauge(company_a)
    answer = enter(signed_in("owner"), tool, LINE, scans=[SimpleUploadedFile("a.pdf", content)])
    assert answer.status_code == 422
    with company(company_a.id):
        assert not CertificateFile.objects.exists()
        assert not tool.certificates.exists()


def test_the_same_file_twice_and_too_many_are_refused(signed_in: In, company_a: World) -> None:
    tool, client = gauge(company_a), signed_in("owner")
    twice = [SimpleUploadedFile("a.pdf", PDF), SimpleUploadedFile("b.pdf", PDF)]
    assert "there twice" in error_at(enter(client, tool, LINE, scans=twice), "scans")
    many = [SimpleUploadedFile("a.pdf", PDF + bytes([n])) for n in range(6)]
    assert "At most 5 files" in error_at(enter(client, tool, LINE, scans=many), "scans")
    with company(company_a.id):
        assert not tool.certificates.exists()
    assert not default_storage.exists(f"certificates/{company_a.id}")


def test_more_lines_keep_what_was_typed_and_store_nothing(signed_in: In, company_a: World) -> None:
    tool, client = gauge(company_a), signed_in("owner")
    data = head() | rows("points", LINE | {"as_left": "nonsense"}) | {"more": "1"}
    page = client.post(f"/instruments/{tool.id}/certificates/new", data)
    assert page.status_code == 200
    assert value_of(page, "points-0-as_left") == "nonsense"
    assert value_of(page, "points-TOTAL_FORMS") == "10"
    assert value_of(page, "number") == "C-1"


def test_lines_are_taken_from_a_table_to_be_looked_at(signed_in: In, company_a: World) -> None:
    tool, client = gauge(company_a), signed_in("owner")
    address = f"/instruments/{tool.id}/certificates/new"
    good = b"quantity;unit;reference;as found;as left;U;k\npressure;Pa;100,0;100,4;100,1;0,5;2\n"
    read = head() | rows("points") | {"read": "1"}
    page = client.post(address, read | {"table": SimpleUploadedFile("lines.csv", good)})
    assert page.status_code == 200
    assert [value_of(page, f"points-0-{n}") for n in ("reference", "as_found")] == ["100,0", "100,4"]
    bad = good + b"pressure;mile;1;;x;0;\n"
    page = client.post(address, read | {"table": SimpleUploadedFile("lines.csv", bad)})
    assert page.status_code == 422
    assert "B3" in words(page)
    assert "E3" in words(page)
    none = client.post(address, read)
    assert "choose a CSV or XLSX file first" in words(none)
    with company(company_a.id):
        assert not tool.certificates.exists()


def test_a_wrong_entry_is_put_right_by_another_filled_in_form(signed_in: In, company_a: World) -> None:
    tool, client = gauge(company_a), signed_in("supervisor")
    enter(client, tool, LINE)
    with company(company_a.id):
        wrong = Certificate.objects.get(number="C-1")
    page = client.get(f"/certificates/{wrong.id}/right")
    names = ("reference", "as_found", "as_left", "expanded_uncertainty", "coverage_factor")
    line = {name: value_of(page, f"points-0-{name}") for name in names}
    assert line["reference"] == "100.0"
    line |= {"measure": "pressure|Pa", "as_left": "100.2"}
    done = client.post(f"/certificates/{wrong.id}/right", head() | rows("points", line), follow=True)
    assert "100.2" in words(done)
    assert "an earlier entry" in words(done)
    old = client.get(f"/certificates/{wrong.id}")
    assert "This entry was wrong." in words(old)
    assert "Put it right" not in words(old)
    again = client.post(f"/certificates/{wrong.id}/right", head(number="C-2") | rows("points", line))
    assert again.status_code == 422
    assert "superseded already" in words(again) or "name the newest entry" in words(again)


# The digital form


def upload(client: Client, data: bytes, **fields: str) -> Any:
    return client.post("/certificates/digital", {"file": SimpleUploadedFile("c.xml", data), **fields})


def test_a_digital_certificate_fills_the_form_and_is_attached_when_confirmed(
    signed_in: In, company_a: World
) -> None:
    tool, client = gauge(company_a), signed_in("dispatcher")
    data = dcc.certificate(serial=" m-2041 ")
    page = upload(client, data)
    assert page.status_code == 200
    assert "Nothing is entered yet" in words(page)
    assert f'action="/instruments/{tool.id}/certificates/new"' in page.content.decode()
    names = ("number", "laboratory", "accreditation", "calibrated_on", "carried", "carried_name")
    fields = {name: value_of(page, name) for name in names}
    assert fields["number"] == "DCC-2026-7"
    assert fields["calibrated_on"] == "2026-02-03"
    columns = ("reference", "as_found", "as_left", "expanded_uncertainty", "coverage_factor")
    lines = [{c: value_of(page, f"points-{n}-{c}") for c in columns} for n in range(3)]
    assert lines[1] == dict(zip(columns, ("500.0", "501.9", "500.2", "0.5", "2"), strict=True))
    with company(company_a.id):
        assert not tool.certificates.exists()
    lines[0]["measure"] = "pressure|Pa"
    sent = fields | {"due_on": "2027-02-03"} | rows("points", *lines)
    client.post(f"/instruments/{tool.id}/certificates/new", sent)
    with company(company_a.id):
        row = tool.certificates.get()
        file = row.files.get()
        assert (file.kind, file.name) == ("xml", "c.xml")
        with default_storage.open(file.stored) as stored:
            assert stored.read() == data
        assert row.points.get(reference=500.0).as_found == 501.9


def test_a_digital_certificate_of_an_unknown_instrument_says_so(signed_in: In, company_a: World) -> None:
    answer = upload(signed_in("owner"), dcc.certificate(serial="X-1"))
    assert answer.status_code == 422
    assert "X-1" in words(answer)
    assert "Add the instrument first" in words(answer)
    scan = upload(signed_in("owner"), PDF)
    assert scan.status_code == 422
    assert "This is no XML file." in error_at(scan, "file")
    other = upload(signed_in("owner"), b"<a/>")
    assert other.status_code == 422
    assert "no digital calibration certificate" in words(other)


def test_only_readings_before_adjustment_leave_as_left_to_a_person(signed_in: In, company_a: World) -> None:
    gauge(company_a)
    client = signed_in("owner")
    data = dcc.certificate(dcc.measurement(dcc.readings(dcc.FOUND), status="beforeAdjustment"))
    page = upload(client, data)
    assert "readings before adjustment only" in words(page)
    assert 'name="points-0-as_left" value=' not in page.content.decode()
    marked = upload(client, data, unadjusted="on")
    assert value_of(marked, "points-0-as_left") == value_of(marked, "points-0-as_found") == "100.4"


# A table of many


def many(tool: Instrument, *more: str) -> bytes:
    heads = "serial number,certificate,laboratory,calibrated on,due on,quantity,unit,reference,as left,U"
    good = f"{tool.serial},T-1,Vale,2026-02-01,2027-02-01,pressure,Pa,100.0,100.1,0.5"
    return "\n".join([heads, good, *more]).encode()


def test_a_table_is_previewed_and_then_entered(signed_in: In, company_a: World) -> None:
    tool, client = gauge(company_a), signed_in("owner")

    def send(data: bytes, **fields: str) -> Any:
        return client.post("/certificates/table", {"file": SimpleUploadedFile("t.csv", data), **fields})

    shown = send(many(tool), preview="1")
    assert "T-1" in words(shown)
    with company(company_a.id):
        assert not tool.certificates.exists()
    refused = send(many(tool, "M-9,T-2,Vale,2026-02-01,2027-02-01,pressure,Pa,1,1,0.5"))
    assert refused.status_code == 422
    assert "A3" in words(refused)
    with company(company_a.id):
        assert not tool.certificates.exists()
    done = send(many(tool))
    assert done.status_code == 302
    with company(company_a.id):
        assert tool.certificates.get().number == "T-1"


def test_templates_are_what_the_readers_take(signed_in: In, company_a: World) -> None:
    gauge(company_a)
    client = signed_in("owner")
    whole = client.get("/certificates/template.csv")
    assert whole["Content-Disposition"] == 'attachment; filename="certificates.csv"'
    done = client.post("/certificates/table", {"file": SimpleUploadedFile("t.csv", whole.content)})
    assert done.status_code == 302
    lines = client.get("/certificates/template.csv?lines=1").content
    with company(company_a.id):
        tool = Instrument.objects.get(serial="M-2041")
    page = client.post(
        f"/instruments/{tool.id}/certificates/new",
        head() | rows("points") | {"read": "1", "table": SimpleUploadedFile("l.csv", lines)},
    )
    assert value_of(page, "points-0-as_left") == "100.1"


def test_labels_name_every_field_of_every_row(signed_in: In, company_a: World) -> None:
    tool = gauge(company_a)
    page = signed_in("owner").get(f"/instruments/{tool.id}/certificates/new").content.decode()
    fields = re.findall(r"<(?:input|select|textarea)[^>]*>", page)
    for field in fields:
        if 'type="hidden"' in field:
            continue
        name = re.search(r'id="([^"]*)"', field)
        assert name, field
        assert "aria-label=" in field or f'for="{name[1]}"' in page, field
    assert 'aria-label="As left, line 2"' in page
