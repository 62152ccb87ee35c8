"""One turn of a worker's work, for `make scale`: python -m tests.benchmarks.scale.work COMPANY JOB.

Evaluates sessions of a job again, as after a certificate was entered. Prints milliseconds a session.
"""

import sys
import time
from uuid import UUID

import django


def main(company_id: UUID, job_id: UUID) -> None:
    django.setup()
    from django.db import transaction

    from jobs import due, events
    from jobs.models import DueWork
    from jobs.tenancy.context import company
    from measurements.current import counting
    from measurements.models import Session

    while due.work(company_id):  # what the requests left; a turn takes only so long
        pass
    with company(company_id):
        while events.sequence():
            pass
    with company(company_id), transaction.atomic():
        ids = list(counting(Session.objects.filter(job=job_id)).values_list("id", flat=True)[:30])
        due.schedule("evaluate", *ids)
    began = time.perf_counter()
    while due.work(company_id):
        pass
    print(f"evaluating a session again={1000 * (time.perf_counter() - began) / len(ids):.3f}")
    with company(company_id):
        if DueWork.objects.filter(kind="evaluate").exists():
            raise SystemExit("not all was evaluated")


if __name__ == "__main__":
    main(UUID(sys.argv[1]), UUID(sys.argv[2]))
