"""Where the time of a request goes: of a batch, of one reading, of a job's results and of a nested query.

Run: python -m tests.benchmarks.share_figures. It starts a PostgreSQL of its own and asks the WSGI application
in this process, under cProfile. Time is told by where it is spent, each function's own; what C code takes
counts for who called it. A profile makes Python dearer than what runs in C or waits, so the share of the
database is at least what is told here.
"""

import cProfile
import io
import json
import os
import pstats
from collections import Counter
from collections.abc import Callable
from functools import partial
from typing import Any

from tests.benchmarks.intake_figures import SETTINGS, Run
from tests.benchmarks.nested_figures import BRIEF, WHOLE, made
from tests.benchmarks.own import own_database

ROUNDS = 40
DATABASE, REST = "the database and its driver", "the rest"
PARTS = (
    (DATABASE, ("/psycopg/", "/psycopg_pool/")),
    ("making SQL", ("/django/db/models/sql/", "/django/db/models/expressions", "/django/db/models/lookups",
                    "/jobs/tenancy/backend/", "/django/db/backends/")),
    ("queries and rows of the ORM", ("/django/db/", "/jobs/tenancy/", "/django/utils/choices")),
    ("GraphQL", ("/graphql/", "/strawberry", "/config/graphql/")),
    ("serializers", ("/rest_framework/", "/rest/")),
    ("reading, checking and storing what was sent", ("/measurements/", "/jobs/bulk")),
    ("doors: who asks, limits, repeats, headers", ("/jobs/", "/config/", "/django/", "/whitenoise/")),
)  # fmt: skip
"""Where a part's code lies; the first that fits."""
WRONG = (b'"refused"', b'"errors":[{', b'"errors": [{')
DIGESTS = ("hashlib", "sha256", "hmac")


def main() -> None:
    own_database(SETTINGS)
    from django.core.wsgi import get_wsgi_application

    application = get_wsgi_application()
    world, jobs = made()
    run = Run()
    tablet, key = run.world.technician_token, world.key_text
    one = partial(one_reading, run)
    share("a batch of 500 readings", application, tablet, "POST", "/api/v1/field/batches", run.batch)
    share("a batch of one reading", application, tablet, "POST", "/api/v1/field/batches", one)
    share("a job's results by REST", application, key, "GET", f"/api/v1/jobs/{jobs[0]}/results", bytes)
    for name, query in (("nested GraphQL", BRIEF), ("nested GraphQL with series", WHOLE)):
        body = json.dumps({"query": query, "variables": {"id": jobs[0]}}).encode()
        share(name, application, key, "POST", "/graphql", lambda body=body: body)


def one_reading(run: Run) -> bytes:
    from tests.measurements import batches

    return batches.body(batches.hood(run.world, readings=batches.hood(run.world)["readings"][:1]))


def share(
    name: str, application: Any, key: str, method: str, path: str, body_of: Callable[[], bytes]
) -> None:
    """Profiles some requests, and tells what each part of the code takes of their time."""
    profile, bodies = cProfile.Profile(), [body_of() for _ in range(ROUNDS + 3)]
    for n, body in enumerate(bodies):
        environment = request(key, method, path, body)
        if n >= 3:  # the first ones fill caches
            profile.enable()
        answer = application(environment, started)
        content = b"".join(answer)
        answer.close()
        profile.disable()
        if any(word in content for word in WRONG):
            raise SystemExit(f"{name}: {content[:2000]!r}")
    spent = parts(profile)
    whole = sum(spent.values())
    print(f"figure: {name}, under the profile = {1000 * whole / ROUNDS:.1f} ms")
    for part, seconds in spent.most_common():
        print(f"figure: {name}, {part} = {100 * seconds / whole:.0f} %")


def started(status: str, _headers: Any, *_: Any) -> None:
    if not status.startswith("200"):
        raise SystemExit(status)


def request(key: str, method: str, path: str, body: bytes) -> dict[str, Any]:
    return {
        "REQUEST_METHOD": method, "PATH_INFO": path, "QUERY_STRING": "", "SERVER_NAME": "127.0.0.1",
        "SERVER_PORT": "80", "SERVER_PROTOCOL": "HTTP/1.1", "HTTP_HOST": "127.0.0.1",
        "REMOTE_ADDR": "127.0.0.1", "CONTENT_TYPE": "application/json", "CONTENT_LENGTH": str(len(body)),
        "HTTP_AUTHORIZATION": f"Bearer {key}", "HTTP_IDEMPOTENCY_KEY": os.urandom(16).hex(),
        "wsgi.input": io.BytesIO(body), "wsgi.errors": io.StringIO(), "wsgi.url_scheme": "http",
        "wsgi.version": (1, 0), "wsgi.multithread": False, "wsgi.multiprocess": True, "wsgi.run_once": False,
    }  # fmt: skip


def parts(profile: cProfile.Profile) -> Counter[str]:
    """Seconds by part."""
    found: Counter[str] = Counter()
    known: dict[Any, Any] = pstats.Stats(profile).stats  # type: ignore[attr-defined]
    for (file, _, function), (_, _, own, _, callers) in known.items():
        if any(word in function for word in DIGESTS):
            found["digests"] += own
        elif file.startswith(("~", "<")):
            for (caller, _, _), (_, _, spent, _) in callers.items():
                found[part_of(caller)] += spent
        else:
            found[part_of(file)] += own
    return found


def part_of(file: str) -> str:
    return next((name for name, places in PARTS if any(place in file for place in places)), REST)


if __name__ == "__main__":
    main()
