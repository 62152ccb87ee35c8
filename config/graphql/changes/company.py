"""Changes of the company's settings, and of the certificate that it signs with."""

import strawberry

from config.graphql.changes.base import Asked, Done, Outcome, Repeats, change
from config.graphql.people import Company
from config.graphql.reports import SigningCertificate
from jobs import companies
from jobs.access import Action
from jobs.rest import serializers_people as shapes
from reports import signers
from reports.rest.signing import SigningInput, read_file


@strawberry.type
class CompanyOutcome(Outcome):
    company: Company | None = None


@strawberry.type
class SigningOutcome(Outcome):
    certificate: SigningCertificate | None = None


@change(Action.MANAGE_COMPANY, takes=shapes.CompanyIn, seen=int)
def company_change(asked: Asked) -> CompanyOutcome:
    """Changes settings. What was measured and approved before keeps the settings it had."""
    seen, changes = asked.version, asked.given
    return CompanyOutcome.of(company=companies.change_company(asked.actor, seen, changes))


@change(Action.MANAGE_COMPANY, takes=SigningInput, repeats=Repeats.ANSWERED)
def signing_certificate_enter(asked: Asked) -> SigningOutcome:
    """Signs with it from now on. Refused: expired, a weak key, not for signatures, a wrong password."""
    given = asked.given
    row = signers.enter(asked.actor, file=read_file(given), password=given["password"])
    return SigningOutcome.of(certificate=row)


@change(Action.MANAGE_COMPANY)
def signing_certificate_withdraw(asked: Asked) -> Done:
    """Signs with the company's certificate no more."""
    signers.withdraw(asked.actor)
    return Done.of(done=True)
