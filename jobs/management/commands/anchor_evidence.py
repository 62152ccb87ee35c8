"""Writes down today's head of each company's log, outside the database."""

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand

from jobs import anchors
from jobs.management.companies import chosen, takes_company
from jobs.tenancy.context import company_var


class Command(BaseCommand):
    help = "Add today's anchor of each company's log to the file of anchors (ANCHOR_FILE)."

    def add_arguments(self, parser: ArgumentParser) -> None:
        takes_company(parser)

    def handle(self, *args: Any, **options: Any) -> None:
        written = 0
        for company_id in chosen(options["company"]):
            with company_var(company_id):
                written += anchors.write()
        self.stdout.write(f"{written} anchors written to {anchors.anchor_file()}")
