"""Which keys of a connected system hold: counted, shown, warned of and accepted alike."""

import threading
from datetime import datetime, timedelta
from typing import Any

import pytest
from django.core import mail as outbox
from django.utils import timezone

from jobs import due, integrations, tokens
from jobs.access import actor_for_token
from jobs.errors import Invalid
from jobs.models import AccessToken, Integration
from jobs.queries import visible_keys
from jobs.tenancy.context import company
from tests import factories
from tests.factories import World
from tests.races import at_once, wait_until_blocked

DAY = timedelta(days=1)


def made(world: World, its: Integration, **fields: datetime | None) -> tuple[AccessToken, str]:
    key, text = tokens.make_key(world.actor("owner"), name="K", scopes=["read"], integration=its.id)
    AccessToken.objects.filter(id=key.id).update(**fields)
    return key, text


@pytest.mark.django_db
def test_a_key_is_counted_and_shown_as_holding_exactly_when_it_is_accepted(company_a: World) -> None:
    now = timezone.now()
    with company(company_a.id):
        owner = company_a.actor("owner")
        portal = integrations.add(owner, name="Portal")
        integrations.add(owner, name="Archive")
        cases: dict[str, dict[str, datetime | None]] = {
            "holds": {},
            "no end": {"expires_at": None},
            "ends soon": {"expires_at": now + DAY, "used_at": now - DAY},
            "over": {"expires_at": now - DAY, "used_at": now},
            "revoked": {"revoked_at": now - DAY},
            "revoked, no end": {"revoked_at": now, "expires_at": None},
            "revoked and over": {"revoked_at": now - DAY, "expires_at": now - DAY},
        }
        keys = {name: made(company_a, portal, **fields) for name, fields in cases.items()}
        accepted = {name for name, (_, text) in keys.items() if actor_for_token(text)}
        assert accepted == {"holds", "no end", "ends soon"}
        listed: Any = visible_keys(owner)
        shown = {row.id for row in listed if row.holds}
        assert {name for name, (key, _) in keys.items() if key.id in shown} == accepted
        systems = [(one.system.name, one.keys, one.used_at) for one in integrations.connected(owner)]
        mine = [one for one in systems if one[0] in ("Portal", "Archive")]
        assert mine == [("Archive", 0, None), ("Portal", 3, now)]
        integrations.end(owner, portal.id)
        assert "Portal" not in [one.system.name for one in integrations.connected(owner)]
        assert not any(actor_for_token(text) for _, text in keys.values())


@pytest.mark.django_db
def test_another_companys_systems_and_keys_are_not_counted(company_a: World, company_b: World) -> None:
    with company(company_b.id):
        made(company_b, integrations.add(company_b.actor("owner"), name="Portal"))
    with company(company_a.id):
        integrations.add(company_a.actor("owner"), name="Portal")
        counted = {one.system.name: one.keys for one in integrations.connected(company_a.actor("owner"))}
    assert counted["Portal"] == 0


@pytest.mark.django_db
@pytest.mark.parametrize("newer", ["lasting", "no end", "unused", "shorter", "revoked"])
def test_a_key_that_is_being_replaced_is_passed_over(company_a: World, newer: str) -> None:
    now = timezone.now()
    with company(company_a.id):
        portal = integrations.add(company_a.actor("owner"), name="Portal")
        made(company_a, portal, expires_at=now + 5 * DAY)
        differs: dict[str, dict[str, datetime | None]] = {
            "lasting": {},
            "no end": {"expires_at": None},
            "unused": {"used_at": None},
            "shorter": {"expires_at": now + 4 * DAY},
            "revoked": {"revoked_at": now},
        }
        made(company_a, portal, **{"expires_at": now + 90 * DAY, "used_at": now} | differs[newer])
        warned = {"lasting": 0, "no end": 0, "unused": 1, "shorter": 2, "revoked": 1}
        assert integrations.warn() == warned[newer]


@pytest.mark.django_db
@pytest.mark.parametrize("field", ["expires_at", "revoked_at"])
def test_nobody_is_told_of_a_key_that_ended_meanwhile(company_a: World, field: str) -> None:
    now = timezone.now()
    with company(company_a.id):
        portal = integrations.add(company_a.actor("owner"), name="Portal")
        key, _ = made(company_a, portal, expires_at=now + DAY)
        assert integrations.warn() == 1
        AccessToken.objects.filter(id=key.id).update(**{field: now})
        due.work(company_a.id)
    assert outbox.outbox == []


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("named", [True, False])
def test_a_key_made_while_its_system_is_cut_off_does_not_outlive_it(named: bool) -> None:
    """Whoever makes the key waits for the end: the system by its id is gone, by its name it is a new one."""
    world = factories.make_world()
    with company(world.id):
        owner = world.actor("owner")
        portal = integrations.add(owner, name="Portal")
    ended = threading.Event()

    def end() -> None:
        with company(world.id):
            integrations.end(owner, portal.id)
            ended.set()
            wait_until_blocked()

    def make() -> AccessToken:
        with company(world.id):
            ended.wait(20)
            its = portal.id if named else None
            return tokens.make_key(owner, name="Portal", scopes=["read"], integration=its)[0]

    _, key = at_once(end, make)
    with company(world.id):
        assert not AccessToken.objects.filter(integration=portal, revoked_at=None).exists()
        if named:
            assert isinstance(key, Invalid)
        else:
            assert key.integration_id != portal.id
