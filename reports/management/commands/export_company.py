"""Writes a whole company to a file, and prints the digest by which the file can be checked."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from jobs.errors import DomainError
from jobs.management.companies import chosen
from jobs.tenancy.context import company_var
from reports import exports


class Command(BaseCommand):
    help = "Write everything of a company to a file (ZIP), as it stands at this moment. It is logged."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("company", help="the company's id")
        parser.add_argument("file", type=Path, help="where to; must not exist")

    def handle(self, *args: Any, **options: Any) -> None:
        (company_id,), path = chosen(options["company"]), options["file"]
        if path.exists():
            raise CommandError(f"{path} is there already.")
        try:
            with company_var(company_id):
                made = exports.make_now(company_id, path)
        except DomainError as error:
            raise CommandError(error.detail) from None
        self.stdout.write(f"{made.row_count} rows and {made.file_count} files, {made.size} bytes: {path}")
        for one in made.manifest.lost:
            self.stdout.write(f"  {one.what}: {one.name}")
        self.stdout.write(f"manifest sha256 {made.manifest_digest}")
