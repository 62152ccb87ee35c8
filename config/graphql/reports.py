"""Approved revisions, issued reports and their files."""

from datetime import datetime

import strawberry
import strawberry_django
from strawberry_django.relay import DjangoListConnection

from config.graphql.base import Seen
from config.graphql.people import Member
from reports import models as reports


@strawberry_django.type(reports.IssuedFile, description="The finished PDF of an issued report.")
class IssuedFile(Seen):
    sha256: str
    size: strawberry.auto
    pages: int
    rendered_at: datetime


@strawberry_django.type(reports.Issue, description="A report under its number.")
class Issue(Seen):
    number: str
    issued_at: datetime
    issued_by: Member
    files: DjangoListConnection[IssuedFile] = strawberry_django.connection()


@strawberry_django.type(reports.Revision, description="A job as it was approved.")
class Revision(Seen):
    revision: int
    approved_at: datetime
    approved_by: Member
    self_approved: bool
    snapshot_digest: str
    issues: DjangoListConnection[Issue] = strawberry_django.connection()
