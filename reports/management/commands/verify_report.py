"""Checks a report's file: by itself, and against what was issued when the database is at hand."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from jobs.errors import DomainError
from reports import filed, verify


class Command(BaseCommand):
    help = "Check a report's file: snapshot against the printed digest, and the file against the issued one."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", type=Path, help="the PDF")
        parser.add_argument("--offline", action="store_true", help="look at the file only, ask no database")
        parser.add_argument("--address", default="", help="the printed address, if the file lost its link")

    def handle(self, *args: Any, **options: Any) -> None:
        path: Path = options["file"]
        try:
            found = filed.read(path)
        except DomainError as error:
            raise CommandError(error.detail) from None
        report = found.document.report
        self.stdout.write(f"{report.title}, job {report.job} revision {report.revision}, {report.project}")
        self.stdout.write(f"attached snapshot  sha256 {found.snapshot_digest}")
        faults = list(found.faults)
        if not faults:
            self.stdout.write("The attached snapshot is the one whose digest the report prints.")
        if not options["offline"]:
            faults += self.online(path, found, options["address"])
        if faults:
            raise CommandError("; ".join(faults) + ".")

    def online(self, path: Path, found: filed.Filed, given: str) -> list[str]:
        """Compares the file with those issued under the address it carries."""
        address = verify.parse_address(given) if given else found.address
        if address is None:
            return ["the file carries no public address; give it with --address"]
        with path.open("rb") as file:
            digest = verify.file_digest(file)
        self.stdout.write(f"file               sha256 {digest}")
        report = verify.find(address)
        finding = verify.judge(report, digest) if report else None
        if finding is None or finding.standing is verify.Standing.UNKNOWN:
            return ["the file is not one that was issued under this number: not ours, or altered"]
        self.stdout.write(
            f"{report.number if report else ''} revision {finding.revision}: {finding.sentence}"
        )
        return []
