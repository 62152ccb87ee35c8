"""Takes a company in from an export of another service."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from jobs.errors import DomainError
from jobs.tenancy.ids import short_id
from reports.archive import take_in


class Command(BaseCommand):
    help = (
        "Take a company in from an export, all of it or nothing: every checksum, every row and the evidence "
        "as a whole are checked before it is kept."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", type=Path)
        parser.add_argument(
            "--manifest", required=True, help="SHA-256 of its manifest, as the export's owner was told"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            taken = take_in.take_in(options["file"], options["manifest"])
        except DomainError as error:
            raise CommandError(f"{error.detail} Nothing was stored.") from None
        except OSError as error:
            raise CommandError(f"{options['file']}: {error.strerror}") from None
        self.stdout.write(f"company {short_id(taken.company_id)} {taken.name}")
        self.stdout.write(f"{taken.rows} rows, {taken.files} files; its evidence holds.")
        for email in taken.joined:
            self.stdout.write(f"  {email} signs in with the password they have here")
        for email in taken.invited:
            self.stdout.write(f"  {email} is sent a link to choose a password")
