"""Rows of the table of bad inputs that no test of one door alone tries."""

import json
import pickle
from typing import Any

import pytest
from django.utils import timezone
from kombu.exceptions import ContentDisallowed
from kombu.serialization import loads

from config.celery import app
from jobs.models import Certificate, Customer, Job
from jobs.tenancy.context import company
from tests.doors.client import assert_problem, pointers, signed_in, with_key
from tests.doors.test_foreign_ids import certificate_body
from tests.factories import World


def test_C10_ten_thousand_parameters_are_refused(company_a: World) -> None:
    many = "&".join(f"p{n}=1" for n in range(10_000))
    assert_problem(with_key(company_a).get(f"/jobs?{many}"), 400)


def test_C10_a_form_of_two_thousand_fields_is_refused(company_a: World) -> None:
    client = signed_in(company_a).client
    answer = client.post("/customers/new", {f"field{n}": "1" for n in range(2_000)})
    assert answer.status_code == 400
    with company(company_a.id):
        assert Customer.objects.count() == 1


HELD = {
    "status": "issued", "number": 1, "company": "01890000-0000-7000-8000-000000000000", "version": 99,
    "approved_by": "me", "id": "01890000-0000-7000-8000-000000000000",
}  # fmt: skip


@pytest.mark.parametrize("name", HELD)
def test_C11_no_field_is_written_that_nobody_may_write(company_a: World, name: str) -> None:
    with company(company_a.id):
        before = Job.objects.values().get(id=company_a.job.id)
    answer = with_key(company_a).patch(f"/jobs/{company_a.job.id}", {name: HELD[name]}, 1)
    assert_problem(answer, 422)
    assert pointers(answer) == [f"/{name}"]
    with company(company_a.id):
        assert Job.objects.values().get(id=company_a.job.id) == before


@pytest.mark.parametrize("value", ["0", "-0.001", "NaN", "1e400", "Infinity", ""])
def test_C6_an_uncertainty_that_is_none_is_refused_at_its_field(company_a: World, value: str) -> None:
    body = certificate_body(company_a)
    body["points"][0]["expanded_uncertainty"] = value
    with company(company_a.id):
        before = Certificate.objects.count()
    path = f"/instruments/{company_a.instruments['hood'].id}/certificates"
    answer = with_key(company_a).post(path, body)
    assert_problem(answer, 422)
    assert any("expanded_uncertainty" in one for one in pointers(answer)), answer.content
    with company(company_a.id):
        assert Certificate.objects.count() == before


class Ran:
    """What a pickle would do when it is read."""

    seen: list[str] = []

    def __reduce__(self) -> Any:
        return Ran.seen.append, ("ran",)


@pytest.mark.parametrize("kind", ["application/x-python-serialize", "application/x-yaml", "text/x-unknown"])
def test_I4_a_message_that_is_not_json_is_not_even_read(kind: str) -> None:
    body = pickle.dumps(Ran())
    with pytest.raises(ContentDisallowed):
        loads(body, kind, "binary", accept={"application/json"})
    assert Ran.seen == []
    assert set(app.conf.accept_content) == {"json"}
    assert loads(
        json.dumps({"at": str(timezone.now())}), "application/json", "utf-8", accept={"application/json"}
    )
