"""Who may do what, at the one place that says so."""

import pytest

from jobs.access import MAY, SCOPES, Action, Actor, Role, may
from jobs.models import TokenKind
from jobs.tenancy.ids import uuid7


def key(*scopes: str) -> Actor:
    return Actor(company_id=uuid7(), token_id=uuid7(), kind=TokenKind.INTEGRATION, scopes=frozenset(scopes))


@pytest.mark.parametrize("scope", SCOPES)
def test_a_scope_grants_its_action_and_reading(scope: str) -> None:
    granted = {action for action in Action if may(key(scope), action)}
    assert granted == {SCOPES[scope], Action.READ}


def test_a_key_without_a_known_scope_may_nothing() -> None:
    assert not any(may(key(), action) or may(key("all"), action) for action in Action)


def test_keys_and_empty_tablets_never_measure_or_approve() -> None:
    tablet = Actor(company_id=uuid7(), device_id=uuid7(), kind=TokenKind.TABLET)
    for action in (Action.MEASURE, Action.REVIEW, Action.APPROVE, Action.ISSUE, Action.MANAGE_KEYS):
        assert not may(key(*SCOPES), action)
        assert not may(tablet, action)


def test_a_person_on_a_tablet_does_what_is_done_in_the_field_only() -> None:
    everything = frozenset(Role)
    person = Actor(company_id=uuid7(), member_id=uuid7(), roles=everything, kind=TokenKind.PERSON)
    assert {action for action in Action if may(person, action)} == {
        Action.READ,
        Action.MEASURE,
        Action.SUBMIT,
    }


def test_an_owner_alone_does_not_review() -> None:
    assert Role.OWNER not in MAY[Action.REVIEW] | MAY[Action.APPROVE] | MAY[Action.ISSUE]
