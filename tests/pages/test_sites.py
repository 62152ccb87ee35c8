"""Pages of customers and sites: what is added is stored, what is refused says why at its field."""

import re

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from jobs.models import Customer, Site
from jobs.tenancy.context import company
from tests import factories
from tests.factories import World
from tests.pages.conftest import In, value_of, words
from tests.pages.test_instruments import error_at

pytestmark = pytest.mark.django_db
SITE = {
    "name": "Swimming baths", "address": "1 Pool Lane\r\nElmbridge", "time_zone": "Europe/London",
    "elevation": "394", "elevation_unit": "[ft_i]",
}  # fmt: skip


def test_a_customer_then_a_site_is_added(signed_in: In, company_a: World) -> None:
    client = signed_in("dispatcher")
    done = client.post("/customers/new", {"name": "Vale Hospital Trust"})
    with company(company_a.id):
        made = Customer.objects.get(name="Vale Hospital Trust")
    assert done["Location"] == f"/customers/{made.id}/sites/new"
    assert value_of(client.get(done["Location"]), "time_zone") == "UTC"
    done = client.post(done["Location"], SITE, follow=True)
    with company(company_a.id):
        site = Site.objects.get(name="Swimming baths")
    assert site.customer_id == made.id
    assert (site.address, site.time_zone) == ("1 Pool Lane\nElmbridge", "Europe/London")
    assert site.elevation_m == pytest.approx(120.0912)
    assert done.redirect_chain[-1][0] == f"/sites/{site.id}"
    assert "Import its design schedule next." in words(done)


@pytest.mark.parametrize(
    ("fields", "place", "text"),
    [
        ({"name": ""}, "name", "the site&#x27;s name."),
        ({"name": "x" * 161}, "name", "160"),
        ({"name": "Baths\u202e"}, "name", "invisible character"),
        ({"name": "Public library"}, "name", "is taken already"),
        ({"time_zone": "Europe/Atlantis"}, "time_zone", "is no time zone"),
        ({"elevation": "NaN"}, "elevation", "is no number"),
        ({"elevation": "9000", "elevation_unit": "m"}, "elevation", "5000"),
        ({"elevation_unit": "mile"}, "elevation_unit", "valid choice"),
    ],
)
def test_a_refused_site_says_why_at_its_field(
    signed_in: In, company_a: World, fields: dict[str, str], place: str, text: str
) -> None:
    address = f"/customers/{company_a.customer.id}/sites/new"
    answer = signed_in("dispatcher").post(address, SITE | fields)
    assert answer.status_code == 422
    assert text in error_at(answer, place)
    with company(company_a.id):
        assert Site.objects.count() == 1


def test_a_refused_customer_says_why_at_its_field(signed_in: In, company_a: World) -> None:
    client = signed_in("owner")
    for fields, place, text in (
        ({"name": " "}, "name", "the customer&#x27;s name."),
        ({"name": company_a.customer.name}, "name", "is taken already"),
        ({"name": "New", "contact_email": "nobody"}, "contact_email", "not an e-mail address"),
    ):
        answer = client.post("/customers/new", fields)
        assert (answer.status_code, text in error_at(answer, place)) == (422, True)
    with company(company_a.id):
        assert Customer.objects.count() == 1


def test_a_change_keeps_the_digits_and_is_refused_when_late(signed_in: In, company_a: World) -> None:
    site, client = company_a.site, signed_in("dispatcher")
    with company(company_a.id):
        Site.objects.filter(id=site.id).update(elevation_m=120.123456789012)
    page = client.get(f"/sites/{site.id}/change")
    fields = {name: value_of(page, name) for name in ("version", "name", "time_zone", "elevation")}
    fields |= {"elevation_unit": "m", "address": "2 New Street"}
    assert client.post(f"/sites/{site.id}/change", fields).status_code == 302
    with company(company_a.id):
        stored = Site.objects.get(id=site.id)
    assert (stored.elevation_m, stored.address, stored.version) == (120.123456789012, "2 New Street", 2)
    late = client.post(f"/sites/{site.id}/change", fields | {"address": "3"})
    assert late.status_code == 422
    assert "changed since you looked" in words(late)
    page = client.get(f"/customers/{site.customer_id}/change")
    fields = {"version": value_of(page, "version"), "name": "Town of Elmbridge and Vale"}
    done = client.post(f"/customers/{site.customer_id}/change", fields, follow=True)
    assert "Town of Elmbridge and Vale" in words(done)


def test_the_list_finds_by_customer_site_and_address_and_goes_on(signed_in: In, company_a: World) -> None:
    with company(company_a.id):
        for number in range(60):
            factories.site(
                factories.customer(f"Customer {number:02}"), f"Hall {number:02}", address="Mill Row"
            )
    client = signed_in("technician")
    page = client.get("/customers")
    found = re.findall(r'<th scope="row"><a [^>]*>([^<]*)<', page.content.decode())
    assert found == [f"Customer {number:02}" for number in range(50)]
    more = re.search(r'<p class="more"><a href="([^"]*)"', page.content.decode())
    assert more
    rest = client.get("/customers" + more[1].replace("&amp;", "&")).content.decode()
    assert re.findall(r'<th scope="row"><a [^>]*>([^<]*)<', rest) == [
        *(f"Customer {number:02}" for number in range(50, 60)), company_a.customer.name,
    ]  # fmt: skip
    assert "Customer 31" in words(client.get("/customers?q=mill+hall+31"))
    assert "No customer or site fits" in words(client.get("/customers?q=%00nothing"))
    assert "Add a customer" not in words(page)
    with CaptureQueriesContext(connection) as seen:
        client.get("/customers?q=mill")
    with CaptureQueriesContext(connection) as one:
        client.get("/customers?q=mill+hall+31")
    assert len(seen) == len(one)


def test_a_site_shows_its_systems_and_points(signed_in: In, company_a: World) -> None:
    text = words(signed_in("technician").get(f"/sites/{company_a.site.id}"))
    assert "1 system, 5 test points" in text
    assert "MD-1 Traverse plane Plant room, after the fan 500 × 400 900 L/s" in text
    assert "120 m above sea level" in text


def test_a_large_site_shows_one_system_at_a_time(signed_in: In, company_a: World) -> None:
    with company(company_a.id):
        large = factories.system(company_a.site, "AHU-2")
        for number in range(301):
            factories.outlet(large, f"T-{number}")
    client = signed_in("technician")
    first = client.get(f"/sites/{company_a.site.id}").content.decode()
    assert ("MD-1" in first, "T-7" in first) == (True, False)
    second = client.get(f"/sites/{company_a.site.id}?system=AHU-2").content.decode()
    assert ("MD-1" in second, "T-7" in second) == (False, True)


def test_another_companys_customers_and_sites_are_not_there(
    signed_in: In, company_a: World, company_b: World
) -> None:
    client = signed_in("dispatcher")
    theirs = company_b
    for address in (
        f"/customers/{theirs.customer.id}", f"/customers/{theirs.customer.id}/change",
        f"/customers/{theirs.customer.id}/sites/new", f"/sites/{theirs.site.id}",
        f"/sites/{theirs.site.id}/change",
    ):  # fmt: skip
        assert client.get(address).status_code == 404, address
        assert client.post(address, SITE).status_code in (404, 405), address
    with company(company_b.id):
        assert list(Site.objects.values_list("name", flat=True)) == ["Public library"]
