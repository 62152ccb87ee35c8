"""Makes a company and its first owner, and prints where the owner chooses a password."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from jobs.companies import create_company
from jobs.errors import Invalid
from jobs.tenancy.ids import short_id


class Command(BaseCommand):
    help = "Makes a company and its first owner, and prints the link where the owner chooses a password."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("name", help="the company's name")
        parser.add_argument("--owner-email", required=True)
        parser.add_argument("--owner-name", required=True)
        parser.add_argument("--time-zone", default="UTC", help="a zone of the IANA list (default UTC)")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            made = create_company(
                name=options["name"],
                owner_email=options["owner_email"],
                owner_name=options["owner_name"],
                time_zone=options["time_zone"],
            )
        except Invalid as error:
            words = " ".join(fault.detail for fault in error.faults)
            raise CommandError(f"{error.detail} {words}") from None
        self.stdout.write(f"company {short_id(made.company.id)} {made.company.name}")
        self.stdout.write(made.link or f"{made.owner.email} signs in with the password they have.")
