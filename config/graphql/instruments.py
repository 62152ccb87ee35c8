"""Instruments and their calibrations."""

import strawberry
import strawberry_django
from strawberry_django.relay import DjangoListConnection

from config.graphql.base import Seen
from jobs import models as jobs


@strawberry_django.type(jobs.CertificatePoint, description="One point of a calibration, SI.")
class CertificatePoint(Seen):
    quantity: str
    reference: float
    as_found: float | None
    as_left: float
    expanded_uncertainty: float
    coverage_factor: float


@strawberry_django.type(jobs.Certificate, description="A calibration as the laboratory certified it.")
class Certificate(Seen):
    number: str
    laboratory: str
    accreditation: str
    calibrated_on: strawberry.auto
    due_on: strawberry.auto
    points: DjangoListConnection[CertificatePoint] = strawberry_django.connection()


@strawberry_django.type(jobs.Instrument, description="An instrument, known by its serial number.")
class Instrument(Seen):
    serial: str
    name: str
    kind: str
    in_service: bool
    certificates: DjangoListConnection[Certificate] = strawberry_django.connection()
