"""The smallest valid world: an invented company with people, keys, a site, a planned job and instruments.

Plain functions. All but `make_company` and `make_world` work inside `with company(id):` and fill the company
in by themselves; each takes any field of its model by keyword.

    world = make_world("Northgate Air Balance")          # opens the company itself
    with company(world.id):
        outlet(world.system, "S-9", design_flow=0.05)
    world.actor("dispatcher")                            # an Actor for an action
    client.get(url, headers=world.bearer)                # the integration key
"""

import secrets
from collections.abc import Container, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cache
from typing import Any
from uuid import UUID

from django.contrib.auth.hashers import get_hasher, make_password
from django.utils import timezone

from jobs.access import Actor, Role, actor_for_member, hash_secret, join_token
from jobs.bookings import Kind, Spell, collisions, spell_of
from jobs.events import digest
from jobs.instruments import certificate_content
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
PASSWORD = "a long enough password"


@dataclass(frozen=True)
class World:
    """One company's rows by what they are.

    `key_text` is an integration key with all scopes, `tablet` a tablet nobody is signed in on,
    `technician_token` the technician signed in on it.
    """

    company: Company
    owner: Member
    dispatcher: Member
    technician: Member
    supervisor: Member
    users: dict[str, User]
    key: AccessToken
    key_text: str
    device: Device
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
    def id(self) -> UUID:
        """The company's id."""
        return self.company.id

    @property
    def bearer(self) -> dict[str, str]:
        """The header that carries the integration key; for `client.get(…, headers=world.bearer)`."""
        return bearer(self.key_text)

    def actor(self, role: Role | str) -> Actor:
        """The actor of the person in this role, signed in on the pages just now."""
        member: Member = getattr(self, Role(role).value)
        return replace(actor_for_member(member), proven_at=timezone.now())


def bearer(token: str) -> dict[str, str]:
    """The header of a request in the name of a token's text."""
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
        return _fill(made)


def _fill(made: Company) -> World:
    users, members = make_people(made.id, list(Role))
    people = dict(zip([role.value for role in Role], members, strict=True))
    tablet = Device.objects.create(name="Tablet 1", enrolled_by=people["owner"])
    here = site(customer())
    supply = system(here)
    instruments = standard_instruments()
    certificates = dict(zip(instruments, certify(*instruments.values()), strict=True))
    planned = job(here, supply)
    # no other job holds anybody yet
    _assigned(planned, spell_of(planned, made), [people["technician"]], list(instruments.values()))
    key, key_text = make_key(made.id, scopes=["read", "plan", "instruments"])
    return World(
        **people,
        company=made,
        users=dict(zip(people, users, strict=True)),
        key=key,
        key_text=key_text,
        device=tablet,
        tablet=token(TokenKind.TABLET, device=tablet)[1],
        technician_token=token(TokenKind.PERSON, device=tablet, member=people["technician"])[1],
        customer=here.customer,
        site=here,
        system=supply,
        points=standard_points(supply),
        instruments=instruments,
        certificates=certificates,
        job=planned,
    )


def make_member(company_id: UUID, *roles: Role) -> Member:
    """A person who can sign in (PASSWORD) and belongs to the current company."""
    return make_people(company_id, [roles])[1][0]


def make_people(company_id: UUID, roles: Sequence[Role | Sequence[Role]]) -> tuple[list[User], list[Member]]:
    """For each entry a person as `make_member` makes them, all at once."""
    users, members = [], []
    for entry in roles:
        own = [entry] if isinstance(entry, Role) else list(entry)
        tail = secrets.token_hex(4)
        email = f"{own[0].value}.{tail}@example.org"
        users.append(User(email=email, password=_hashed(get_hasher().algorithm)))
        members.append(Member(user_ref=users[-1].id, name=f"{own[0].label} {tail}", email=email, roles=own))
    User.objects.bulk_create(users)
    Affiliation.objects.bulk_create([Affiliation(user=one, company_ref=company_id) for one in users])
    return users, Member.objects.bulk_create(members)


@cache
def _hashed(algorithm: str) -> str:
    """PASSWORD as it is stored. Hashed once in a process, since a real hash takes half a second."""
    return make_password(PASSWORD, hasher=algorithm)


def make_key(company_id: UUID, scopes: list[str]) -> tuple[AccessToken, str]:
    """An integration key of the current company, and the text its holder keeps."""
    return token(TokenKind.INTEGRATION, scopes=scopes)


def token(kind: TokenKind, **fields: Any) -> tuple[AccessToken, str]:
    """A token of any kind, and its text."""
    secret = secrets.token_urlsafe(32)
    values = {"name": kind.label, "used_at": timezone.now()} | fields  # not used for the first time
    made = AccessToken.objects.create(kind=kind, secret_hash=hash_secret(secret), **values)
    return made, join_token(current_company(), secret)


def customer(name: str = "Town of Elmbridge", **fields: Any) -> Customer:
    return Customer.objects.create(name=name, **fields)


def site(of: Customer, name: str = "Public library", **fields: Any) -> Site:
    values = {"elevation_m": 120.0, "time_zone": "Europe/London"} | fields
    return Site.objects.create(customer=of, name=name, **values)


def system(of: Site, tag: str = "AHU-1", **fields: Any) -> System:
    return System.objects.create(site=of, tag=tag, **({"name": "Reading rooms supply"} | fields))


PLANE: dict[str, Any] = {
    "kind": PointKind.PLANE,
    "shape": Shape.RECTANGULAR,
    "width_m": 0.5,
    "height_m": 0.4,
    "design_flow": 0.9,
    "design_entered": "900 L/s",
    "location": "Plant room, after the fan",
}
ROUND_PLANE: dict[str, Any] = PLANE | {
    "shape": Shape.ROUND,
    "width_m": None,
    "height_m": None,
    "diameter_m": 0.25,
    "design_flow": 0.27,
    "design_entered": "270 L/s",
}
OUTLET: dict[str, Any] = {"kind": PointKind.OUTLET, "design_flow": 0.09, "design_entered": "90 L/s"}


def plane(of: System, tag: str = "MD-1", **fields: Any) -> TestPoint:
    """A traverse plane; rectangular 500 x 400 mm with 0.9 m³/s unless told."""
    return TestPoint.objects.create(system=of, tag=tag, **(PLANE | fields))


def round_plane(of: System, tag: str = "BD-1", **fields: Any) -> TestPoint:
    """A traverse plane in a round duct; 250 mm with 0.27 m³/s unless told."""
    return TestPoint.objects.create(system=of, tag=tag, **(ROUND_PLANE | fields))


def outlet(of: System, tag: str = "S-1", **fields: Any) -> TestPoint:
    """A supply outlet of 90 L/s unless told."""
    return TestPoint.objects.create(system=of, tag=tag, **(OUTLET | fields))


def standard_points(of: System) -> dict[str, TestPoint]:
    main = TestPoint(system=of, tag="MD-1", position=1, **PLANE)
    branch = TestPoint(system=of, tag="BD-1", position=2, parent=main, **ROUND_PLANE)
    outlets = [TestPoint(system=of, tag=f"S-{n}", position=2 + n, parent=branch, **OUTLET) for n in (1, 2, 3)]
    return {point.tag: point for point in TestPoint.objects.bulk_create([main, branch, *outlets])}


Range = tuple[Quantity, float, float, float]
"""Quantity, minimum, maximum, resolution; SI."""


def instrument(kind: InstrumentKind, *ranges: Range, **fields: Any) -> Instrument:
    """An instrument with ranges, 1 % of reading."""
    return instruments((kind, ranges, fields))[0]


def instruments(*given: tuple[InstrumentKind, Sequence[Range], dict[str, Any]]) -> list[Instrument]:
    """As `instrument`, all at once."""
    made = [
        Instrument(kind=kind, **({"serial": f"SN-{uuid7().hex[-8:]}", "name": kind.label} | fields))
        for kind, _, fields in given
    ]
    Instrument.objects.bulk_create(made)
    InstrumentRange.objects.bulk_create(
        InstrumentRange(
            instrument=one, quantity=quantity, minimum=low, maximum=high, resolution=resolution,
            accuracy_absolute=resolution, accuracy_of_reading=0.01,
        )
        for one, (_, ranges, _) in zip(made, given, strict=True)
        for quantity, low, high, resolution in ranges
    )  # fmt: skip
    return made


def standard_instruments() -> dict[str, Instrument]:
    """By use: pressure, probe, temperature, humidity, barometer, hood."""
    tube = {"probe_length_m": 0.9, "probe_factor": 1.0, "probe_factor_u": 0.005}
    given: dict[str, tuple[InstrumentKind, Range, dict[str, Any]]] = {
        "pressure": (InstrumentKind.MANOMETER, (Quantity.PRESSURE, -2500.0, 2500.0, 0.1), {}),
        "probe": (InstrumentKind.PITOT_TUBE, (Quantity.FACTOR, 0.9, 1.1, 0.001), tube),
        "temperature": (InstrumentKind.THERMOMETER, (Quantity.TEMPERATURE, 253.15, 353.15, 0.1), {}),
        "humidity": (InstrumentKind.HYGROMETER, (Quantity.HUMIDITY, 0.05, 0.95, 0.001), {}),
        "barometer": (InstrumentKind.BAROMETER, (Quantity.ABSOLUTE_PRESSURE, 7e4, 1.1e5, 10.0), {}),
        "hood": (InstrumentKind.FLOW_HOOD, (Quantity.FLOW, 0.01, 1.2, 0.0005), {}),
    }
    made = instruments(*((kind, [reach], fields) for kind, reach, fields in given.values()))
    return dict(zip(given, made, strict=True))


def certificate(of: Instrument, *, on: date | None = None, days: int = 365, **fields: Any) -> Certificate:
    """A certificate of three points over each range, calibrated 30 days ago unless told, good for `days`."""
    return certify(of, on=on, days=days, **fields)[0]


def certify(*tools: Instrument, on: date | None = None, days: int = 365, **fields: Any) -> list[Certificate]:
    """As `certificate`, all at once."""
    start = on or timezone.now().date() - timedelta(days=30)
    ranges: dict[UUID, list[InstrumentRange]] = {tool.id: [] for tool in tools}
    for reach in InstrumentRange.objects.filter(instrument__in=ranges):
        ranges[reach.instrument_id].append(reach)
    made: list[Certificate] = []
    lines: list[CertificatePoint] = []
    for tool in tools:
        values = {
            "number": f"C-{uuid7().hex[-8:]}",
            "laboratory": "Vale Calibration Laboratory",
            "calibrated_on": start,
            "due_on": start + timedelta(days=days),
        } | fields
        one = Certificate(instrument=tool, **values)
        points = [point for reach in ranges[tool.id] for point in certificate_points(reach)]
        rows = [CertificatePoint(certificate=one, **point) for point in points]
        one.digest = digest(certificate_content(one, rows))
        made.append(one)
        lines += rows
    Certificate.objects.bulk_create(made)
    CertificatePoint.objects.bulk_create(lines)
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


def day_read() -> date:
    """Today; yesterday just after midnight, since what tests read was read some minutes ago."""
    return (timezone.now() - timedelta(minutes=20)).date()


def job(of: Site, *systems: System, days: int = 5, **fields: Any) -> Job:
    """An open job on systems of a site, from today (`day_read`) for `days` days."""
    today = day_read()
    values = {
        "title": "Balance of reading rooms",
        "starts_on": today,
        "ends_on": today + timedelta(days=days - 1),
    }
    made = Job.objects.create(number=next_number("job"), site=of, **(values | fields))
    JobSystem.objects.bulk_create([JobSystem(job=made, system=one) for one in systems])
    return made


def assign(planned: Job, who: Member | None, *tools: Instrument) -> None:
    """A person and instruments for all days of the job.

    Who is held by another job then is assigned without being held, as on a job that is approved.
    """
    spell = spell_of(planned, Company.objects.get())
    people = [] if who is None else [who]
    held = collisions(Kind.PEOPLE, [one.id for one in people], planned, spell) if people else {}
    held |= collisions(Kind.INSTRUMENTS, [tool.id for tool in tools], planned, spell)
    _assigned(planned, spell, people, tools, held)


def _assigned(
    planned: Job,
    spell: Spell,
    people: Sequence[Member],
    tools: Sequence[Instrument],
    held: Container[UUID] = (),
) -> None:
    PersonAssignment.objects.bulk_create(
        PersonAssignment(job=planned, member=one, holds=one.id not in held, **vars(spell)) for one in people
    )
    InstrumentAssignment.objects.bulk_create(
        InstrumentAssignment(job=planned, instrument=tool, holds=tool.id not in held, **vars(spell))
        for tool in tools
    )
