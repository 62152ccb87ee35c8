"""Taking everything along, and having the company removed."""

from typing import Any

import strawberry

from config.graphql.changes.base import Asked, Done, Outcome, Repeats, change
from config.graphql.house import CompanyExport, Removal
from jobs.access import Action
from reports import exports, removal
from reports.rest.removal import RemovalInput


@strawberry.type
class CompanyExportOutcome(Outcome):
    export: CompanyExport | None = None


@strawberry.type
class CompanyRemovalOutcome(Outcome):
    removal: Removal | None = None


@change(Action.MANAGE_COMPANY, repeats=Repeats.ANSWERED)
def export_ask(asked: Asked) -> CompanyExportOutcome:
    """Asks for an export of everything; a worker makes it. While one is being made, that one is told.

    For who signed in within ten minutes; else 403, sign-in-again.
    """
    return CompanyExportOutcome.of(export=exports.ask(asked.actor))


@change(Action.MANAGE_COMPANY, takes=RemovalInput, repeats=Repeats.ANSWERED)
def removal_ask(asked: Asked) -> CompanyRemovalOutcome:
    """Asks for the removal of every row and file of the company in 14 days.

    Needs an export that holds everything and whose file was fetched. Whatever happens in the company
    meanwhile stops the removal. For who signed in within ten minutes; else 403, sign-in-again.
    """
    given = asked.given
    found: Any = removal.ask(asked.actor, export_id=given["export"], name=given["name"])
    return CompanyRemovalOutcome.of(removal=found)


@change(Action.MANAGE_COMPANY, repeats=Repeats.ANSWERED)
def removal_withdraw(asked: Asked) -> Done:
    """Nothing is removed then. 409 when it has begun."""
    removal.withdraw(asked.actor)
    return Done.of(done=True)
