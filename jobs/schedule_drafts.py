"""A schedule's way from upload to import: the file as it came, what is said of its columns, imported once.

The file is kept in the database between the steps, so that it is neither lost nor sent again and again, and
is read and checked anew at each step. It is forgotten after a week, and emptied when it was imported.
"""

from datetime import timedelta
from typing import Any
from uuid import UUID

from django.db import transaction
from django.db.models import QuerySet
from django.utils import timezone
from django.utils.translation import gettext

from jobs.access import Action, Actor, require
from jobs.errors import Invalid, NotFound
from jobs.models import ScheduleDraft, Site
from jobs.queries import visible
from jobs.schedule import Found, Imported, Trial, find_columns, import_schedule, try_schedule
from jobs.schedule_columns import Matching
from jobs.schedule_said import read_said, said_as_json
from jobs.sheets import read_sheet

KEPT = timedelta(days=7)
MOST = 50
"""Of a company at a time; the oldest go first."""


def visible_drafts(actor: Actor) -> QuerySet[ScheduleDraft]:
    """Drafts that are kept still, for those who plan."""
    require(actor, Action.PLAN)
    rows = ScheduleDraft.objects.select_related("site__customer", "created_by")
    return visible(rows, actor).filter(created_at__gt=timezone.now() - KEPT)


@transaction.atomic
def start_draft(
    actor: Actor, site_id: UUID, file: bytes, *, file_name: str = "", mends: UUID | None = None
) -> ScheduleDraft:
    """Keeps a file that is a table. Where it mends an earlier upload with the same heads, what was said of
    those columns holds for it too.

    Raises NotFound, TooLarge, or Invalid with what is wrong with it.
    """
    require(actor, Action.PLAN)
    site = visible(Site.objects.all(), actor).filter(id=site_id).first()
    if site is None:
        raise NotFound()
    read_sheet(file)
    said = _said_before(actor, site_id, mends, file) if mends else {}
    _forget()
    return ScheduleDraft.objects.create(
        site=site,
        file_name="".join(sign for sign in file_name if sign.isprintable())[:120],
        content=file,
        said=said,
        created_by_id=actor.member_id,
    )


def _said_before(actor: Actor, site_id: UUID, draft_id: UUID, file: bytes) -> dict[str, Any]:
    before = visible_drafts(actor).filter(site_id=site_id, id=draft_id, imported_at=None).first()
    if before is None or not before.said:
        return {}
    said = said_of(before)
    try:
        old, new = (
            find_columns(actor, site_id, data, Matching(head_row=said.head_row))
            for data in (bytes(before.content), file)
        )
    except Invalid:
        return {}
    same = [one.head for one in old.heads.matches] == [one.head for one in new.heads.matches]
    kept: dict[str, Any] = before.said
    return kept if same else {}


def _forget() -> None:
    newest = ScheduleDraft.objects.order_by("-created_at").values_list("created_at", flat=True)
    limit = [*newest[MOST - 1 : MOST], timezone.now() - KEPT]
    ScheduleDraft.objects.filter(created_at__lte=max(limit)).delete()


def the_draft(actor: Actor, site_id: UUID, draft_id: UUID) -> ScheduleDraft:
    """Raises NotFound, also for a draft of another site or one that is forgotten."""
    return _found(visible_drafts(actor), site_id, draft_id)


def _found(rows: QuerySet[ScheduleDraft], site_id: UUID, draft_id: UUID) -> ScheduleDraft:
    found = rows.filter(site_id=site_id, id=draft_id).first()
    if found is None:
        raise NotFound(gettext("This upload is not kept any more, or never was. Choose the file again."))
    return found


def said_of(draft: ScheduleDraft) -> Matching:
    """What was said of its columns so far."""
    return read_said(draft.said)


def columns_of(actor: Actor, draft: ScheduleDraft, said: Matching | None = None) -> Found:
    """What its columns are taken for, by what was said of them, or would be by what is being said."""
    told = said_of(draft) if said is None else said
    return find_columns(actor, draft.site_id, bytes(draft.content), told)


def try_draft(actor: Actor, draft: ScheduleDraft) -> Trial:
    """What its file would do now."""
    return try_schedule(actor, draft.site_id, bytes(draft.content), said_of(draft))


@transaction.atomic
def say_columns(actor: Actor, site_id: UUID, draft_id: UUID, said: Matching) -> ScheduleDraft:
    """Keeps what its columns mean."""
    draft = _locked(actor, site_id, draft_id)
    draft.said = said_as_json(said)
    draft.save(update_fields=["said"])
    return draft


@transaction.atomic
def import_draft(actor: Actor, site_id: UUID, draft_id: UUID, *, plan: str) -> tuple[ScheduleDraft, bool]:
    """Imports it, once: a repeat finds what the first did, and False.

    Raises as `import_schedule` does, also when what is stored changed since `plan` was shown.
    """
    draft = _locked(actor, site_id, draft_id)
    if draft.imported_at is not None:
        return draft, False
    found = import_schedule(
        actor, site_id, bytes(draft.content), said_of(draft), file_name=draft.file_name, plan=plan
    )
    draft.content, draft.imported_at, draft.imported = b"", timezone.now(), _counts(found)
    draft.save(update_fields=["content", "imported_at", "imported"])
    return draft, True


def _locked(actor: Actor, site_id: UUID, draft_id: UUID) -> ScheduleDraft:
    rows = visible_drafts(actor).select_related(None).select_for_update()
    return _found(rows, site_id, draft_id)


def _counts(found: Imported) -> dict[str, Any]:
    return {
        "rows": found.rows,
        "systems": vars(found.systems),
        "points": vars(found.points),
        "sha256": found.digest,
    }
