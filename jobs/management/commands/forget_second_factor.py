"""Takes a second factor off for who lost the telephone and the recovery codes."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from jobs import factor
from jobs.models import User
from jobs.people import tidy_email


class Command(BaseCommand):
    help = "Ends a person's second factor. Make sure first who asks; it stands in their companies' logs."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("email")

    def handle(self, *args: Any, **options: Any) -> None:
        user = User.objects.filter(email=tidy_email(options["email"])).first()
        if user is None or not factor.is_enrolled(user.id):
            raise CommandError("Nobody with this e-mail has a second factor.")
        factor.forget(user)
        self.stdout.write("The second factor is off.")
