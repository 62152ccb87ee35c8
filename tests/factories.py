"""The smallest valid world: an invented company with people, keys, a site, a planned job and instruments.

Plain functions. All but `make_company` and `make_world` work inside `with company(id):` and fill the company
in by themselves; each takes any field of its model by keyword.

    world = make_world("Northgate Air Balance")          # opens the company itself
    with company(world.company_id):
        outlet(world.system, "S-9", design_flow=0.05)
    world.actor("dispatcher")                            # an Actor for an action
    client.get(url, headers=bearer(world.key))           # the integration key
"""

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any
from uuid import UUID

from django.utils import timezone

from jobs.access import Actor, Role, actor_for_member, hash_secret, join_token
from jobs.events import digest
from jobs.models import (
    AccessToken,
    Affiliation,
    Certificate,
    CertificatePoint,
    Company,
    Customer,
    Device,
    Instrument,
    InstrumentAssignment,
    InstrumentKind,
    InstrumentRange,
    Job,
    JobSystem,
    Member,
    PersonAssignment,
    PointKind,
    Quantity,
    Shape,
    Site,
    System,
    TestPoint,
    TokenKind,
    User,
)
from jobs.numbers import next_number
from jobs.tenancy.context import company, current_company
from jobs.tenancy.ids import uuid7

FIRST, SECOND = "Northgate Air Balance", "Harbour Testing"


@dataclass(frozen=True)
class World:
    """One company's rows by what they are. Token texts: `key` (integration), `tablet` (nobody signed in),
    `technician_token` (the technician signed in on the tablet)."""

    company: Company
    members: dict[str, Member]
    users: dict[str, User]
    device: Device
    key: str
    tablet: str
    technician_token: str
    customer: Customer
    site: Site
    system: System
    points: dict[str, TestPoint]
    instruments: dict[str, Instrument]
    certificates: dict[str, Certificate]
    job: Job

    @property
    def company_id(self) -> UUID:
        return self.company.id

    def actor(self, role: str) -> Actor:
        """The member of that role, signed in on the pages: owner, dispatcher, technician, supervisor."""
        return actor_for_member(self.members[role])


def bearer(token: str) -> dict[str, str]:
    """Headers of a request in the name of a token, for Django's test client."""
    return {"Authorization": f"Bearer {token}"}


def make_company(name: str = FIRST, **fields: Any) -> Company:
    made = uuid7()
    with company(made):
        return Company.objects.create(id=made, name=name, **fields)


def make_world(name: str = FIRST, **fields: Any) -> World:
    """A company with everything in it: one person a role, keys, a site with a system of a rectangular main
    (MD-1), a round branch (BD-1) and three outlets (S-1 to S-3), instruments in calibration, an open job
    from today for five days with the technician and all instruments on it."""
    made = make_company(name, **fields)
    with company(made.id):
        return fill_company(made)


def fill_company(made: Company) -> World:
    members, users = {}, {}
    for role in Role:
        users[role.value], members[role.value] = person(f"{role.label} of {made.name}", role)
    tablet = Device.objects.create(name="Tablet 1", enrolled_by=members["owner"])
    here = site(customer())
    supply = system(here)
    instruments = standard_instruments()
    certificates = {use: certificate(tool) for use, tool in instruments.items()}
    planned = job(here, supply)
    assign(planned, members["technician"], *instruments.values())
    return World(
        company=made,
        members=members,
        users=users,
        device=tablet,
        key=token(TokenKind.INTEGRATION, scopes=["read", "plan", "instruments"]),
        tablet=token(TokenKind.TABLET, device=tablet),
        technician_token=token(TokenKind.PERSON, device=tablet, member=members["technician"]),
        customer=here.customer,
        site=here,
        system=supply,
        points=standard_points(supply),
        instruments=instruments,
        certificates=certificates,
        job=planned,
    )


def person(name: str, *roles: Role, password: str | None = None, email: str = "") -> tuple[User, Member]:
    """A user with a place in the company. Without a password they cannot sign in by the form (and the test
    spends no time on hashing); `client.force_login(user)` works."""
    user = User.objects.create_user(email or f"{uuid7().hex}@example.com", password)
    member = Member.objects.create(
        user_ref=user.id, name=name, email=user.email, roles=[role.value for role in roles]
    )
    Affiliation.objects.create(user=user, company_ref=current_company())
    return user, member


def token(kind: TokenKind, **fields: Any) -> str:
    """Makes a token and returns its text."""
    secret = uuid7().hex
    AccessToken.objects.create(kind=kind, name=kind.label, secret_hash=hash_secret(secret), **fields)
    return join_token(current_company(), secret)


def customer(name: str = "Town of Elmbridge", **fields: Any) -> Customer:
    return Customer.objects.create(name=name, **fields)


def site(of: Customer, name: str = "Public library", **fields: Any) -> Site:
    values = {"elevation_m": 120.0, "time_zone": "Europe/London"} | fields
    return Site.objects.create(customer=of, name=name, **values)


def system(of: Site, tag: str = "AHU-1", **fields: Any) -> System:
    return System.objects.create(site=of, tag=tag, **({"name": "Reading rooms supply"} | fields))


def plane(of: System, tag: str = "MD-1", **fields: Any) -> TestPoint:
    """A traverse plane; rectangular 500 x 400 mm with 0.9 m³/s unless told."""
    values = {
        "kind": PointKind.PLANE,
        "shape": Shape.RECTANGULAR,
        "width_m": 0.5,
        "height_m": 0.4,
        "design_flow": 0.9,
        "design_entered": "900 L/s",
        "location": "Plant room, after the fan",
    }
    return TestPoint.objects.create(system=of, tag=tag, **(values | fields))


def round_plane(of: System, tag: str = "BD-1", **fields: Any) -> TestPoint:
    """A traverse plane in a round duct; 250 mm with 0.27 m³/s unless told."""
    values = {"shape": Shape.ROUND, "width_m": None, "height_m": None, "diameter_m": 0.25}
    return plane(of, tag, **(values | {"design_flow": 0.27, "design_entered": "270 L/s"} | fields))


def outlet(of: System, tag: str = "S-1", **fields: Any) -> TestPoint:
    """A supply outlet of 90 L/s unless told."""
    values = {"kind": PointKind.OUTLET, "design_flow": 0.09, "design_entered": "90 L/s"}
    return TestPoint.objects.create(system=of, tag=tag, **(values | fields))


def standard_points(of: System) -> dict[str, TestPoint]:
    main = plane(of, position=1)
    branch = round_plane(of, parent=main, position=2)
    outlets = [outlet(of, f"S-{n}", parent=branch, position=2 + n) for n in (1, 2, 3)]
    return {point.tag: point for point in [main, branch, *outlets]}


def instrument(
    kind: InstrumentKind, *ranges: tuple[Quantity, float, float, float], **fields: Any
) -> Instrument:
    """An instrument with ranges (quantity, minimum, maximum, resolution; SI), 1 % of reading."""
    values = {"serial": f"SN-{uuid7().hex[-8:]}", "name": kind.label} | fields
    made = Instrument.objects.create(kind=kind, **values)
    for quantity, low, high, resolution in ranges:
        InstrumentRange.objects.create(
            instrument=made,
            quantity=quantity,
            minimum=low,
            maximum=high,
            resolution=resolution,
            accuracy_absolute=resolution,
            accuracy_of_reading=0.01,
        )
    return made


def standard_instruments() -> dict[str, Instrument]:
    """By use: pressure, probe, temperature, humidity, barometer, hood."""
    return {
        "pressure": instrument(InstrumentKind.MANOMETER, (Quantity.PRESSURE, -2500.0, 2500.0, 0.1)),
        "probe": instrument(
            InstrumentKind.PITOT_TUBE,
            (Quantity.FACTOR, 0.9, 1.1, 0.001),
            probe_length_m=0.9,
            probe_factor=1.0,
            probe_factor_u=0.005,
        ),
        "temperature": instrument(InstrumentKind.THERMOMETER, (Quantity.TEMPERATURE, 253.15, 353.15, 0.1)),
        "humidity": instrument(InstrumentKind.HYGROMETER, (Quantity.HUMIDITY, 0.05, 0.95, 0.001)),
        "barometer": instrument(InstrumentKind.BAROMETER, (Quantity.ABSOLUTE_PRESSURE, 7e4, 1.1e5, 10.0)),
        "hood": instrument(InstrumentKind.FLOW_HOOD, (Quantity.FLOW, 0.01, 1.2, 0.0005)),
    }


def certificate(of: Instrument, *, on: date | None = None, days: int = 365, **fields: Any) -> Certificate:
    """A certificate of three points over each range, calibrated 30 days ago unless told, good for `days`."""
    start = on or timezone.now().date() - timedelta(days=30)
    values = {
        "number": f"C-{uuid7().hex[-8:]}",
        "laboratory": "Vale Calibration Laboratory",
        "calibrated_on": start,
        "due_on": start + timedelta(days=days),
    } | fields
    points = [point for reach in of.ranges.all() for point in certificate_points(reach)]
    made = Certificate.objects.create(
        instrument=of, digest=digest([str(values), [str(p) for p in points]]), **values
    )
    CertificatePoint.objects.bulk_create([CertificatePoint(certificate=made, **point) for point in points])
    return made


def certificate_points(reach: InstrumentRange) -> list[dict[str, Any]]:
    """Three points that read 0.2 % high, U of half a percent of the reach and k = 2."""
    low, high = max(reach.minimum, 0.0), reach.maximum
    references = [low + share * (high - low) for share in (0.1, 0.5, 0.9)]
    return [
        {
            "quantity": reach.quantity,
            "reference": value,
            "as_found": value * 1.002,
            "as_left": value * 1.002,
            "expanded_uncertainty": 0.005 * (high - low),
        }
        for value in references
    ]


def job(of: Site, *systems: System, days: int = 5, **fields: Any) -> Job:
    """An open job on systems of a site, from today for `days` days."""
    today = timezone.now().date()
    values = {
        "title": "Balance of reading rooms",
        "starts_on": today,
        "ends_on": today + timedelta(days=days - 1),
    }
    made = Job.objects.create(number=next_number("job"), site=of, **(values | fields))
    JobSystem.objects.bulk_create([JobSystem(job=made, system=one) for one in systems])
    return made


def assign(planned: Job, who: Member | None, *tools: Instrument) -> None:
    """A person and instruments for all days of the job."""
    days = {"starts_on": planned.starts_on, "ends_on": planned.ends_on}
    if who is not None:
        PersonAssignment.objects.create(job=planned, member=who, **days)
    for tool in tools:
        InstrumentAssignment.objects.create(job=planned, instrument=tool, **days)
