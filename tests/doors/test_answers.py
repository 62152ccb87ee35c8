"""What the service answers is what the published document says of it."""

import json

import pytest

from tests.doors import walk
from tests.doors.client import signed_in
from tests.doors.examples import faults
from tests.factories import FIRST

OF_A_PERSON = "/me/sign-ins"
NOT_THERE = {"/company/removal"}  # as long as nobody asked for it


@pytest.mark.django_db
def test_each_thing_that_is_read_keeps_to_its_schema() -> None:
    world = walk.full_world(FIRST)
    ids, wrong, unread = walk.ids_of(world), [], set()
    for route, method, action in walk.doors():
        shape = walk.answer_shape(route) if method == "GET" else {}
        if not shape:
            continue
        by_person = str(route) == OF_A_PERSON
        caller = signed_in(world, "owner") if by_person else walk.caller_for(world, action)
        answer = walk.call(caller, "GET", route.path(ids))
        if answer.status_code == 200:
            wrong += [f"{route}: {words}" for words in faults(json.loads(answer.content), shape)[:5]]
        else:
            unread.add(str(route))
    assert not wrong, "\n".join(wrong)
    assert unread == NOT_THERE
