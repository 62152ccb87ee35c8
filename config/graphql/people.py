"""People of the company."""

import strawberry_django

from config.graphql.base import Seen
from jobs import models as jobs


@strawberry_django.type(jobs.Member, description="A person's place in the company.")
class Member(Seen):
    name: str
    roles: list[str]
    active: bool
