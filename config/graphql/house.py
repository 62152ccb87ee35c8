"""What owners look after: sign-ins, exports of the whole company, its removal."""

from datetime import datetime
from typing import Any
from uuid import UUID

import strawberry

from config.graphql.people import Member
from config.graphql.rows import Node, node, one, read_id, together, told
from jobs import models as jobs
from jobs import signins
from jobs.errors import NotFound
from jobs.http.graphql import actor_of
from reports import exports, removal


@strawberry.type(description="A sign-in of a person: with a browser, or on a tablet.")
class SignInPlace:
    id: UUID = strawberry.field(name="uuid")
    kind: str
    where: str = strawberry.field(description="Browser and system, or the name of the tablet.")
    network: str = strawberry.field(description="Of the address at the beginning; empty for tablets.")
    began_at: datetime
    seen_at: datetime | None
    here: bool = strawberry.field(description="The one that this request came in.")


def sign_ins(info: strawberry.Info) -> list[SignInPlace]:
    request = info.context.request
    actor = actor_of(info)
    here = "" if actor.token_id else str(request.session.get(signins.SESSION_KEY, ""))
    return signins.of_actor(actor, here)  # type: ignore[return-value]


def member_sign_ins(info: strawberry.Info, member: strawberry.ID) -> list[SignInPlace] | None:
    try:
        return signins.of_member(actor_of(info), read_id(member, jobs.Member, "member"))  # type: ignore[return-value]
    except NotFound:
        return None


@node(
    jobs.CompanyExport,
    "An export of the whole company, for owners.",
    rows=lambda actor: exports.visible_exports(actor).select_related(None),
)
class CompanyExport(Node):
    asked_by: Member | None = one("asked_by", "Null: an operator.")
    asked_at: datetime
    finished_at: datetime | None
    expires_at: datetime | None
    size: float = strawberry.field(description="Bytes.")
    row_count: int
    file_count: int
    missing_count: int
    head_number: int
    manifest_digest: str = strawberry.field(description="SHA-256 of manifest.json in its file: keep it.")

    @strawberry.field(description="making, failed, ready or gone")
    def state(root: Any) -> str:
        return exports.state_of(root)  # one at most is being made, and only that one is looked up

    @strawberry.field(description="Where to fetch the file, with the same rights.")
    def url(root: Any) -> str:
        return f"/api/v1/company/exports/{root.pk}/file"


@strawberry.type(description="A removal of the company that was asked for; until `dueAt` it can be undone.")
class Removal:
    asked_at: datetime = told("request.at")
    asked_by: str = told("request.member.name")
    export: CompanyExport | None = told("request.export")
    due_at: datetime
    begun: bool


def company_removal(info: strawberry.Info) -> Removal | None:
    found: Any = removal.standing(actor_of(info))
    if found is not None:
        together([found.request.export])
    return found  # type: ignore[no-any-return]
