"""Proves the evidence of companies and names what was altered, removed or slipped in."""

from argparse import ArgumentParser
from typing import Any
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError

from jobs.models import Affiliation, Company
from jobs.tenancy.context import company
from jobs.tenancy.ids import parse_id
from reports import evidence

MOST_NAMED = 20


class Command(BaseCommand):
    help = "Check the log's chain and every stored row against its digest, company by company."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--company", default="", help="only this company, by id")

    def handle(self, *args: Any, **options: Any) -> None:
        bad = 0
        for company_id in self.companies(options["company"]):
            bad += self.examine(company_id)
        if bad:
            raise CommandError(f"{bad} of the companies' evidence does not hold.")

    def companies(self, given: str) -> list[UUID]:
        """The company given, or every company that has people."""
        if given:
            try:
                return [parse_id(given)]
            except ValueError:
                raise CommandError(f"'{given}' is not a company's id.") from None
        return sorted(set(Affiliation.objects.values_list("company_ref", flat=True)))

    def examine(self, company_id: UUID) -> bool:
        """Whether something is wrong; says what, the first first."""
        with company(company_id):
            here = Company.objects.filter(id=company_id).first()
            if here is None:
                raise CommandError(f"There is no company {company_id}.")
            found = list(evidence.faults())
        if not found:
            self.stdout.write(f"{here.name} ({company_id}): whole")
            return False
        self.stdout.write(f"{here.name} ({company_id}): {len(found)} faults")
        for line in found[:MOST_NAMED]:
            self.stdout.write(f"  {line}")
        return True
