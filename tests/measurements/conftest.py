"""A company whose instruments are fine enough for its ducts."""

from datetime import timedelta

import pytest
from django.utils import timezone

from jobs.models import Certificate, CertificatePoint, Instrument, InstrumentRange, Quantity
from jobs.tenancy.context import company
from tests import factories
from tests.factories import World


def fine_certificate(tool: Instrument, quantity: str, top: float, *, on_days_ago: int = 20) -> Certificate:
    """A newer certificate with points from zero to `top`, U of 0.4 % of the reading and never zero."""
    start = timezone.now().date() - timedelta(days=on_days_ago)
    made = Certificate.objects.create(
        instrument=tool,
        number=f"F-{tool.serial}",
        laboratory="Vale Calibration Laboratory",
        calibrated_on=start,
        due_on=start + timedelta(days=365),
        digest="0" * 64,
    )
    CertificatePoint.objects.bulk_create(
        CertificatePoint(
            certificate=made,
            quantity=quantity,
            reference=share * top,
            as_left=share * top * 1.002,
            expanded_uncertainty=max(0.004 * share * top, 0.0005 * top),
        )
        for share in (0.0, 0.25, 0.5, 1.0)
    )
    return made


def make_fine(world: World) -> World:
    """Gives manometer and hood fine ranges and certificates. Inside the company."""
    for use, quantity, top, step in (
        ("pressure", Quantity.PRESSURE, 100.0, 0.1),
        ("hood", Quantity.FLOW, 0.4, 0.0001),
    ):
        tool = world.instruments[use]
        InstrumentRange.objects.filter(instrument=tool).delete()
        InstrumentRange.objects.create(
            instrument=tool,
            quantity=quantity,
            minimum=-top if quantity == Quantity.PRESSURE else 0.0,
            maximum=top,
            resolution=step,
            accuracy_of_reading=0.005,
        )
        fine_certificate(tool, quantity, top)
    hood = world.instruments["hood"]
    hood.probe_factor, hood.probe_factor_u = 1.0, 0.005
    hood.save()
    return world


@pytest.fixture
def fine(db: None) -> World:
    """A company ready to measure well: usual conditions give no flag that must be answered."""
    world = factories.make_world(factories.FIRST)
    with company(world.id):
        return make_fine(world)
