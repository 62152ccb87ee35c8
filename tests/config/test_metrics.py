"""The page of counts and the traces: what operators see, and what never stands there."""

import http.server
import os
import subprocess
import sys
import threading
import uuid
from collections.abc import Iterator
from pathlib import Path

import pytest
from django.core.cache import cache
from django.test import Client, override_settings
from django.utils import timezone

from jobs import due, tasks
from jobs.tenancy.context import company
from tests.doors.client import with_key
from tests.factories import World

ROOT = Path(__file__).parents[2]
TOKEN = {"Authorization": "Bearer a token of the operators"}


@pytest.fixture
def opened() -> Iterator[None]:
    with override_settings(METRICS_TOKEN=TOKEN["Authorization"].removeprefix("Bearer ")):
        yield


def page() -> str:
    answer = Client().get("/metrics", headers=TOKEN)
    assert answer.status_code == 200
    return answer.content.decode()


@pytest.mark.django_db
def test_nobody_without_the_token_learns_of_the_page(opened: None) -> None:
    for headers in ({}, {"Authorization": "Bearer "}, {"Authorization": "Bearer another"}):
        assert Client().get("/metrics", headers=headers).status_code == 404
    with override_settings(METRICS_TOKEN=""):
        assert Client().get("/metrics", headers={"Authorization": "Bearer "}).status_code == 404


@pytest.mark.django_db
def test_requests_are_counted_by_route_without_ids(opened: None, company_a: World) -> None:
    unknown = uuid.uuid4()
    assert with_key(company_a).get(f"/jobs/{company_a.job.id}").status_code == 200
    assert with_key(company_a).get(f"/jobs/{unknown}").status_code == 404
    Client().get(f"/no/such/place/{unknown}")
    Client().generic("BREW", "/healthz")
    found = page()
    assert 'route="api/v1/jobs/<uuid:job_id>",status="2xx"' in found
    assert 'route="api/v1/jobs/<uuid:job_id>",status="4xx"' in found
    assert 'method="other"' in found
    for word in (str(unknown), str(company_a.job.id), str(company_a.id), "BREW", company_a.customer.name):
        assert word not in found


@pytest.mark.django_db
def test_what_waits_is_told_by_the_sweep(opened: None, company_a: World) -> None:
    with company(company_a.id):
        due.schedule("nothing_does_this", uuid.uuid4(), uuid.uuid4())
        moment = timezone.now() - due.LEASE * 3
        due.DueWork.objects.filter(kind="nothing_does_this").update(due_at=moment)
    tasks.sweep()
    rows = [line for line in page().splitlines() if line.startswith("flowledger_") and "{" not in line]
    found = dict(line.rsplit(" ", 1) for line in rows)
    assert float(found["flowledger_work_due"]) == 2
    assert float(found["flowledger_work_oldest_seconds"]) >= due.LEASE.total_seconds() * 3
    assert 0 <= float(found["flowledger_sweep_age_seconds"]) < 60
    cache.delete(due.STANDING)
    assert "flowledger_work_due" not in page()


@pytest.mark.django_db
def test_work_is_timed_by_kind_and_outcome(opened: None, company_a: World) -> None:
    with company(company_a.id):
        due.schedule("nothing_does_this", uuid.uuid4())
        claimed = due.claim(["nothing_does_this"])
    assert claimed is not None
    due.do(company_a.id, claimed)
    assert 'flowledger_work_seconds_count{kind="unknown",outcome="failed"}' in page()


SEVERAL = """
import os, django
django.setup()
from config import metrics
from jobs.metrics import PARKED
for _ in range(3):
    if os.fork() == 0:
        PARKED.labels("evaluate").inc()
        os._exit(0)
    os.wait()
print(metrics.text().decode())
"""


def run(code: str, **more: str) -> str:
    environment = os.environ | {"DJANGO_SETTINGS_MODULE": "config.settings", "DEBUG": "1"} | more
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, env=environment, capture_output=True, text=True, timeout=120
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_processes_of_one_machine_are_counted_together(tmp_path: Path) -> None:
    found = run(SEVERAL, METRICS_DIR=str(tmp_path / "metrics"))
    assert 'flowledger_work_parked_total{kind="evaluate"} 3.0' in found


POOLED = """
import billiard, os, django
django.setup()
from config import metrics
from jobs.metrics import PARKED
def work():
    PARKED.labels("evaluate").inc()
    os._exit(0)
for place in (0, 1, 0, 1, 0):
    one = billiard.Process(target=work)
    one.index = place
    one.start()
    one.join()
print(metrics.text().decode())
"""


def test_a_worker_goes_on_with_the_counts_of_the_one_before_in_its_place(tmp_path: Path) -> None:
    found = run(POOLED, METRICS_DIR=str(tmp_path / "metrics"))
    assert 'flowledger_work_parked_total{kind="evaluate"} 5.0' in found
    assert len(list((tmp_path / "metrics").glob("counter_*-[01].db"))) == 2


TRACED = """
import django
from config import traces
traces.start("web")
django.setup()
from django.test import Client
answer = Client().get("/healthz", HTTP_HOST="127.0.0.1", headers={"X-Request-ID": "one-traced-request"})
assert answer.status_code == 200, answer.status_code
from opentelemetry import trace
trace.get_tracer_provider().force_flush()
"""


def test_traces_go_where_the_operator_says_and_nowhere_else() -> None:
    got: list[tuple[str, bytes]] = []

    class Collector(http.server.BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            got.append((self.path, self.rfile.read(int(self.headers["Content-Length"]))))
            self.send_response(200)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """Quiet."""

    server = http.server.HTTPServer(("127.0.0.1", 0), Collector)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    address = f"http://127.0.0.1:{server.server_port}"
    run(TRACED, OTEL_EXPORTER_OTLP_ENDPOINT=address, OTEL_EXPORTER_OTLP_COMPRESSION="none")
    server.shutdown()
    assert [path for path, _ in got] == ["/v1/traces"]
    sent = got[0][1]
    for word in (b"flowledger-web", b"healthz", b"one-traced-request"):
        assert word in sent
    quiet = (
        "from config import traces; traces.start('web'); import sys; print('opentelemetry' in sys.modules)"
    )
    assert run(quiet).strip() == "False"
