"""Makes a company whose technician has a second factor."""

import time
from typing import Any

NAME = "Estuary Air Balance"


def make() -> dict[str, Any]:
    """E-mails, the company's and a tablet's code, a recovery code of the technician."""
    from jobs import factor, tokens
    from jobs.models import SecondFactor
    from jobs.tenancy.context import company
    from jobs.tenancy.ids import short_id
    from tests import factories

    world = factories.make_world(NAME)
    user = world.users["technician"]
    factor.offer(user)
    secret = factor._secret(SecondFactor.objects.get(user=user))
    recovery = factor.confirm(user, factor.totp(secret).generate(int(time.time())).decode(), "192.0.2.1")
    with company(world.id):
        pairing = tokens.start_pairing(world.actor("owner"), device_name="Tablet 7")[1]
    return {
        "owner": world.users["owner"].email,
        "technician": user.email,
        "password": factories.PASSWORD,
        "recovery": recovery[0],
        "short": short_id(world.id),
        "pairing": pairing,
    }
