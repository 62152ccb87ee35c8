"""Print every fault of the catalogue; exit with 1 if there is one."""

from typing import Any

from django.core.management.base import BaseCommand

from jobs.tenancy.audit import faults
from jobs.tenancy.audit_rules import RULES


class Command(BaseCommand):
    """Run as the serving role, not as the owner."""

    help = "Audit the database's catalogue for anything that could let one company see another's rows."

    def handle(self, *args: Any, **options: Any) -> None:
        """Print the faults, or that there are none."""
        found = faults()
        for fault in found:
            self.stderr.write(str(fault))
        if found:
            raise SystemExit(1)
        self.stdout.write(f"{len(RULES)} rules and the list of models: no fault")
