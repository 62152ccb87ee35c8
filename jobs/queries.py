"""What a person may see and how it is fetched. Every door reads through here."""

from typing import TypeVar

from django.db.models import Model, QuerySet

from jobs.access import Action, Actor, require

M = TypeVar("M", bound=Model)


def visible(rows: QuerySet[M], actor: Actor | None) -> QuerySet[M]:
    """The rows that the actor may see: those of their company, if they may read at all.

    Raises NotSignedIn or Forbidden. Within a company everybody who may read sees every job and figure.
    """
    return rows.filter(company_id=require(actor, Action.READ).company_id)
