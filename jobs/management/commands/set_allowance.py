"""What a company may use, set by the operators of the service."""

from typing import Any
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError, CommandParser

from jobs import events, quotas
from jobs.access import Actor
from jobs.models import Allowance
from jobs.tenancy.context import company
from jobs.tenancy.ids import parse_id

NAMES = ("requests_a_minute", *(kind.value for kind in quotas.Kind))


class Command(BaseCommand):
    help = "Sets or shows what a company may use. A figure of -1 gives back what is usual."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("company", help="Its id, long or short.")
        for name in NAMES:
            parser.add_argument(f"--{name.replace('_', '-')}", type=int)

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            company_id = parse_id(options["company"])
        except ValueError:
            raise CommandError("This is no id of a company.") from None
        given = {name: options[name] for name in NAMES if options[name] is not None}
        if any(value < -1 for value in given.values()):
            raise CommandError("A figure is 0 or more, or -1 for what is usual.")
        with company(company_id):
            if given:
                self.set(company_id, {name: None if value < 0 else value for name, value in given.items()})
            for one in quotas.use():
                self.stdout.write(f"{one.kind.value}: {one.used} of {one.allowed}")

    def set(self, company_id: UUID, values: dict[str, int | None]) -> None:
        Allowance.objects.update_or_create(company_id=company_id, defaults=values)
        events.record(Actor(company_id), "company.allowance", "company", company_id, data=dict(values))
