"""Proves the evidence of companies and names what was altered, removed, moved or slipped in."""

from argparse import ArgumentParser
from datetime import datetime
from itertools import islice
from typing import Any
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError

from jobs import anchors, events
from jobs.management.companies import chosen, moment, takes_company, takes_since
from jobs.models import Company
from reports import evidence

MOST_NAMED = 20


class Command(BaseCommand):
    help = (
        "Check each company's log, anchors and stored rows. Names the first that does not hold, then up to "
        f"{MOST_NAMED - 1} more. Exit code 1 when something does not hold."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        takes_company(parser)
        takes_since(parser, "only what the log tells since then; the chain before it is taken as it stands")
        parser.add_argument("--recompute", action="store_true", help="compute results again as well (slow)")

    def handle(self, *args: Any, **options: Any) -> None:
        since, bad = moment(options["since"]), 0
        for company_id in chosen(options["company"]):
            bad += self.examine(company_id, since, options["recompute"])
        self.stdout.write("Not to be found this way:")
        left = [f"{label}: {reason}" for label, reason in evidence.NO_EVIDENCE.items()]
        for line in (*evidence.NOT_FOUND, *left):
            self.stdout.write(f"  {line}")
        if bad:
            raise CommandError(f"{bad} of the companies' evidence does not hold.")

    def examine(self, company_id: UUID, since: datetime | None, recompute: bool) -> bool:
        """Whether something is wrong; says what, the first first."""
        with evidence.one_snapshot(company_id):
            here = Company.objects.filter(id=company_id).first()
            if here is None:
                raise CommandError(f"There is no company {company_id}.")
            name, after = f"{here.name} ({company_id})", events.number_before(since) if since else 0
            found = evidence.faults(evidence.kinds(recompute), after)
            named = list(islice(found, MOST_NAMED))
            more = any(True for _ in found)
            self.told(name, named, more)
            self.stdout.write(f"  {evidence.waiting()} events have no number yet: their rows were checked")
            self.stdout.write(f"  {_anchored(anchors.last_day())}")
        return bool(named)

    def told(self, name: str, named: list[evidence.Fault], more: bool) -> None:
        if not named:
            self.stdout.write(f"{name}: whole")
            return
        self.stdout.write(f"{name}: {'more than ' if more else ''}{len(named)} faults, the first:")
        for one in named:
            self.stdout.write(f"  {one}")


def _anchored(day: Any) -> str:
    if day is None:
        return f"no anchor in {anchors.anchor_file()}: a tail that was cut can't be seen"
    return f"last anchored on {day}"
