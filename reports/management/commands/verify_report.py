"""Checks a report's file: by itself, and against what was issued when the database is at hand."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from jobs.errors import DomainError
from reports import filed, verify
from reports.models import SignatureLevel
from reports.signed import UNSIGNED, Examined, examine, read_trust

OFFLINE = (
    "Not told offline: whether this is the file that was issued under its number (one that was made and "
    "signed anew by someone else fits itself), whether a later revision replaces it or it is under recall, "
    "and whether the certificate was revoked."
)


def _trust_words(one: Examined) -> str:
    if one.trusted is None:
        return "Whether the certificate is to be trusted is not known: name trusted ones with --trust."
    time = (
        "" if one.time_trusted is None else f" The time stamp is {'' if one.time_trusted else 'not '}trusted."
    )
    return f"The certificate is {'' if one.trusted else 'not '}trusted as of the time of signing.{time}"


class Command(BaseCommand):
    help = "Check a report's file: snapshot against the printed digest, and the file against the issued one."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", type=Path, help="the PDF")
        parser.add_argument("--offline", action="store_true", help="look at the file only, ask no database")
        parser.add_argument("--trust", type=Path, help="certificates to trust, PEM or DER")
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
        faults += self.signature(path, options["trust"])
        if options["offline"]:
            self.stdout.write(OFFLINE)
        else:
            faults += self.online(path, found, options["address"])
        if faults:
            raise CommandError("; ".join(faults) + ".")

    def signature(self, path: Path, trust: Path | None) -> list[str]:
        """Tells of the signature and returns what is wrong; never to have been signed is no fault."""
        try:
            trusted = read_trust(trust.read_bytes()) if trust else []
        except (DomainError, OSError) as error:
            raise CommandError(f"--trust: {error}") from None
        one = examine(path, trusted)
        if one.level is SignatureLevel.NONE and one.faults == (UNSIGNED,):
            self.stdout.write("The file is not signed: only its SHA-256 can show that it is whole.")
            return []
        if not one.faults:
            self.stdout.write(
                f"Signed by {one.signer}, {one.at:%Y-%m-%d %H:%M:%S %Z}, PAdES {one.level.value}."
            )
            self.stdout.write(f"certificate        sha256 {one.fingerprint}")
            self.stdout.write("The signature covers the whole file and nothing was added after it.")
            self.stdout.write(_trust_words(one))
        return list(one.faults) + (
            ["the certificate leads to none of the trusted ones"] if one.trusted is False else []
        )

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
