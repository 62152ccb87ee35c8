"""Many uploads at once past what a company may store."""

import threading

import pytest
from django.core.management import call_command
from django.db import connections

from jobs import disk
from jobs.tenancy.context import company
from jobs.tenancy.ids import uuid7
from measurements import uploads
from measurements.models import PhotoUpload
from measurements.photo_files import MOST_BYTES
from tests import factories
from tests.doors.client import assert_problem, with_key, with_token
from tests.measurements import pictures

FIT, THREADS, EACH = 50, 8, 25


def test_E7_200_uploads_of_the_size_limit_at_once_stop_at_the_quota(
    transactional_db: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By eight callers at once. No more are taken than fit, another company is served meanwhile, and with a
    disk that is nearly full none is taken."""
    monkeypatch.setattr(uploads, "MOST_OPEN", 1000)
    world, other = factories.make_world(), factories.make_world(factories.SECOND)
    call_command("set_allowance", str(world.id), stored_bytes=FIT * MOST_BYTES + 1)
    body = pictures.declaration(world, pictures.jpeg(), size=MOST_BYTES)
    start, answers = threading.Barrier(THREADS + 1), []

    def one() -> None:
        tablet = with_token(world.technician_token)
        start.wait()
        answers.extend(tablet.post("/field/photos", {**body, "id": str(uuid7())}) for _ in range(EACH))
        connections["default"].close()

    threads = [threading.Thread(target=one) for _ in range(THREADS)]
    for thread in threads:
        thread.start()
    start.wait()
    served = [with_key(other).get("/jobs").status_code for _ in range(5)]
    for thread in threads:
        thread.join()
    refused = [answer for answer in answers if answer.status_code != 201]
    assert len(answers) == THREADS * EACH == 200
    assert len(refused) == len(answers) - FIT
    for answer in refused:
        assert_problem(answer, 403, "over-quota")
    assert served == [200] * 5
    with company(world.id):
        assert PhotoUpload.objects.count() == FIT
    monkeypatch.setattr(disk, "free_share", lambda folder: 0.049)
    tablet = with_token(other.technician_token)
    theirs = pictures.declaration(other, pictures.jpeg(), size=MOST_BYTES)
    assert_problem(tablet.post("/field/photos", theirs), 503, "busy")
    with company(other.id):
        assert not PhotoUpload.objects.exists()
