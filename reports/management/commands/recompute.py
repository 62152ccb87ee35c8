"""Computes approved results again and names every figure that differs."""

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from jobs.management.companies import chosen, moment, takes_company, takes_since
from reports import evidence, recomputed

REFUSED = 2


class Command(BaseCommand):
    help = (
        "Compute the results of approved reports again, by the version they were made with. Exit code 1 on a "
        "difference, 2 when there is none but a version of the calculation is not known here."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        takes_company(parser)
        takes_since(parser, "only results approved since then")

    def handle(self, *args: Any, **options: Any) -> None:
        since = moment(options["since"])
        results = differing = refused = 0
        for company_id in chosen(options["company"]):
            with evidence.one_snapshot(company_id):
                for row, found in recomputed.recompute(since):
                    results += 1
                    refused += any(one.refused for one in found)
                    differing += any(not one.refused for one in found)
                    for one in found:
                        self.stdout.write(f"result {row.id} of session {row.session_id}: {one}")
        self.stdout.write(f"{results} approved results: {differing} differ, {refused} could not be computed")
        if differing:
            raise CommandError(f"{differing} approved results differ from what their inputs give.")
        if refused:
            raise CommandError(
                f"{refused} approved results were made by another version.", returncode=REFUSED
            )
