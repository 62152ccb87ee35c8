"""Which companies a command is about, and since when."""

from argparse import ArgumentParser
from datetime import UTC, date, datetime
from uuid import UUID

from django.core.management.base import CommandError

from jobs import anchors
from jobs.tenancy.ids import parse_id


def takes_company(parser: ArgumentParser) -> None:
    parser.add_argument("--company", default="", help="only this company, by id")


def takes_since(parser: ArgumentParser, what: str) -> None:
    parser.add_argument("--since", default="", help=f"{what} (a day, e.g. 2026-01-31, UTC)")


def chosen(given: str) -> list[UUID]:
    """The company given, or every company that has people."""
    if not given:
        return anchors.companies()
    try:
        return [parse_id(given)]
    except ValueError:
        raise CommandError(f"'{given}' is not a company's id.") from None


def moment(given: str) -> datetime | None:
    """The start of a day in UTC, or a moment with its offset; None when nothing is given."""
    if not given:
        return None
    try:
        if len(given) == 10:
            return datetime.combine(date.fromisoformat(given), datetime.min.time(), UTC)
        found = datetime.fromisoformat(given)
    except ValueError:
        found = None
    if found is None or found.tzinfo is None:
        raise CommandError(f"'{given}' is not a day (2026-01-31) or a moment with its offset.")
    return found
