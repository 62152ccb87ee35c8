"""No request that can be made from the published document makes the service fail or tell of its inside."""

import pytest

from tests.doors import walk
from tests.factories import FIRST
from tests.soak import rest_cases
from tests.soak.amounts import LONG, SEED, amount, tell

CASES = 20_000


@pytest.mark.django_db
def test_P19_no_generated_request_fails() -> None:
    world = walk.full_world(FIRST)
    a_operation = amount(3, 4 * CASES // (3 * len(rest_cases.operations())))
    found = rest_cases.run(world, a_operation, SEED, part=1.0 if LONG else 0.15)
    tell("generated REST requests", found.cases)
    tell("answers 5xx", len(found.failures))
    tell("answers that tell of the inside", len(found.told))
    tell("answers by status", dict(sorted(found.statuses.items())))
    assert not found.failures, "\n".join(found.failures[:10])
    assert not found.told, "\n".join(found.told[:10])
    assert not found.unlike, "\n".join(found.unlike[:10])
