"""Changes of people, invitations, the keys of other systems and tablets."""

from datetime import datetime
from uuid import UUID

import strawberry

from config.graphql.changes.base import Asked, Done, Outcome, Repeats, change
from config.graphql.people import Integration, Invitation, Key, Member, StoredQuery
from jobs import forgetting, integrations, people, signins, stored_queries, tokens
from jobs.access import Action
from jobs.http.graphql import check_document
from jobs.rest import serializers_people as shapes
from jobs.rest.people import here
from jobs.rest.stored_queries import StoredQueryIn
from jobs.tenancy.ids import short_id


@strawberry.type
class MemberOutcome(Outcome):
    member: Member | None = None


@strawberry.type
class InvitationOutcome(Outcome):
    invitation: Invitation | None = None


@strawberry.type
class KeyOutcome(Outcome):
    key: Key | None = None
    token: str | None = strawberry.field(default=None, description="Shown in this answer only.")


@strawberry.type
class IntegrationOutcome(Outcome):
    integration: Integration | None = None


@strawberry.type
class StoredQueryOutcome(Outcome):
    query: StoredQuery | None = None


@strawberry.type
class PairingOutcome(Outcome):
    uuid: UUID | None = None
    name: str | None = None
    company: str | None = strawberry.field(default=None, description="The tablet sends it with the code.")
    code: str | None = strawberry.field(default=None, description="Shown in this answer only.")
    expires_at: datetime | None = None


@strawberry.type
class RenewOutcome(Outcome):
    expires_at: datetime | None = None


@change(Action.READ, takes=shapes.OwnSettingsIn, seen=int)
def me_change(asked: Asked) -> MemberOutcome:
    """Changes one's own settings. For people only: 403 for a key."""
    given = asked.given
    return MemberOutcome.of(member=people.change_own(asked.actor, asked.version, **given))


@change(Action.MANAGE_PEOPLE, "member", takes=shapes.MemberIn, seen=int)
def member_change(asked: Asked) -> MemberOutcome:
    """Changes name, roles, units or whether somebody works here; takes effect at once.

    A company keeps at least one active owner (409 otherwise).
    """
    wanted = people.MemberChange(**asked.given)
    return MemberOutcome.of(
        member=people.change_member(asked.actor, asked.at("member"), asked.version, wanted)
    )


@change(Action.READ)
def sign_in_end_others(asked: Asked) -> Done:
    """Ends all of one's own sign-ins but the one that asks."""
    signins.end_others(asked.actor, here(asked.request))
    return Done.of(done=True)


@change(Action.READ, "sign_in")
def sign_in_end(asked: Asked) -> Done:
    """Ends one of one's own sign-ins, at once."""
    signins.end_own(asked.actor, asked.at("sign_in"))
    return Done.of(done=True)


@change(Action.MANAGE_PEOPLE, "member")
def member_sign_out(asked: Asked) -> Done:
    """Ends all sign-ins of a person in this company, at once."""
    signins.end_of_member(asked.actor, asked.at("member"))
    return Done.of(done=True)


@change(Action.MANAGE_PEOPLE, "member", repeats=Repeats.ANSWERED)
def member_forget(asked: Asked) -> MemberOutcome:
    """The name becomes "Former member N"; e-mail, sign-in, tokens and calendars go. It cannot be undone.

    Evidence names people by id and stays whole. Issued reports keep their names. 409 for somebody active.
    """
    return MemberOutcome.of(member=forgetting.forget(asked.actor, asked.at("member")))


@change(Action.MANAGE_PEOPLE, takes=shapes.InvitationIn, repeats=Repeats.ANSWERED)
def invite(asked: Asked) -> InvitationOutcome:
    """Invites somebody by mail. An earlier open invitation to the same e-mail ends."""
    return InvitationOutcome.of(invitation=people.invite(asked.actor, **asked.given))


@change(Action.MANAGE_PEOPLE, "invitation")
def invitation_withdraw(asked: Asked) -> Done:
    """Ends an open invitation."""
    people.withdraw_invitation(asked.actor, asked.at("invitation"))
    return Done.of(done=True)


@change(Action.MANAGE_KEYS, takes=shapes.KeyIn, repeats=Repeats.SHOWN_ONCE)
def key_make(asked: Asked) -> KeyOutcome:
    """Makes a key. `token` is shown in this answer only: a repeat of the request is answered 409."""
    row, text = tokens.make_key(asked.actor, **asked.given)
    return KeyOutcome.of(key=row, token=text)


@change(Action.MANAGE_KEYS, "key")
def key_revoke(asked: Asked) -> Done:
    """Ends a key at once. It stays in the list, ended."""
    tokens.revoke_key(asked.actor, asked.at("key"))
    return Done.of(done=True)


@change(Action.MANAGE_KEYS, takes=shapes.IntegrationIn, repeats=Repeats.ANSWERED)
def integration_add(asked: Asked) -> IntegrationOutcome:
    """Adds an integration; its keys are made by keyMake."""
    return IntegrationOutcome.of(integration=integrations.add(asked.actor, **asked.given))


@change(Action.MANAGE_KEYS, "integration", takes=shapes.IntegrationChange, seen=int)
def integration_change(asked: Asked) -> IntegrationOutcome:
    """Changes name, contact or purpose."""
    row = integrations.change(asked.actor, asked.at("integration"), asked.version, asked.given)
    return IntegrationOutcome.of(integration=row)


@change(Action.MANAGE_KEYS, "integration")
def integration_end(asked: Asked) -> Done:
    """Ends an integration and all its keys, at once. It stays in the list, ended."""
    integrations.end(asked.actor, asked.at("integration"))
    return Done.of(done=True)


@change(Action.READ, takes=StoredQueryIn, repeats=Repeats.ANSWERED)
def stored_query_add(asked: Asked) -> StoredQueryOutcome:
    """Store a query. Its id is the SHA-256 of its text; the same text again is answered with the first.

    It must be valid, with one operation, within the limits of every query. For a key's holder, and for those
    who manage keys.
    """
    given = asked.given
    check_document(given["text"])
    return StoredQueryOutcome.of(query=stored_queries.store(asked.actor, **given)[0])


@change(Action.READ, "stored_query")
def stored_query_forget(asked: Asked) -> Done:
    """Remove a query that one's own key stored; those who manage keys remove any."""
    stored_queries.forget(asked.actor, asked.at("stored_query"))
    return Done.of(done=True)


@change(Action.ENROL_DEVICE, takes=shapes.PairingIn, repeats=Repeats.SHOWN_ONCE)
def pairing_start(asked: Asked) -> PairingOutcome:
    """Makes a code that enrols one tablet, once and within ten minutes."""
    row, text = tokens.start_pairing(asked.actor, device_name=asked.given["name"])
    return PairingOutcome(
        uuid=row.id,
        name=row.device_name,
        company=short_id(asked.actor.company_id),
        code=text,
        expires_at=row.expires_at,
    )


@change(Action.ENROL_DEVICE, "device")
def device_revoke(asked: Asked) -> Done:
    """Ends a tablet, and everybody's token on it, at once. What it had not sent stays on it."""
    tokens.revoke_device(asked.actor, asked.at("device"))
    return Done.of(done=True)


@change(Action.READ)
def device_renew(asked: Asked) -> RenewOutcome:
    """Makes a person's sign-in on a tablet good for eight more days, at most 90 after the password."""
    return RenewOutcome(expires_at=tokens.renew_on_device(asked.actor).expires_at)


@change(Action.READ)
def device_sign_out(asked: Asked) -> Done:
    """Ends the token of the person that it comes with."""
    tokens.sign_out_on_device(asked.actor)
    return Done.of(done=True)
