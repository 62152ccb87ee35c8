"""One load client: posts, reads, corrects, answers, approves and asks for reports, all drawn from one seed.

    python -m tests.faults.load CONFIG INDEX

What it means to store stands in its file, on the disk, before it is sent; what was acknowledged after that.
"""

import hashlib
import http.client
import json
import os
import random
import sys
import threading
import time
import uuid
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import django

PATIENCE_S = 240.0
TIMEOUT_S = 40.0
AGAIN = {409, 429, 502, 503, 504}
BATCHES = "/api/v1/field/batches"
REASON = "Looked at on site with the drawings; it stays as it is."


def readings_digest(rows: list[tuple[Any, ...]]) -> str:
    """SHA-256 of a session's readings: run, line, point, quantity, digits, unit, µs since 1970, sorted."""
    return hashlib.sha256(json.dumps(sorted(rows)).encode()).hexdigest()


def digest_of(session: dict[str, Any]) -> str:
    return readings_digest(
        [
            (r["run"], r["line"], r["point"], r["quantity"], r["value"], r["unit"],
             round(datetime.fromisoformat(r["taken_at"]).timestamp() * 1e6))
            for r in session["readings"]
        ]
    )  # fmt: skip


@dataclass(frozen=True)
class Answer:
    """What came back, and when the attempt that brought it was begun."""

    status: int
    headers: dict[str, str]
    body: bytes
    begun: float

    @property
    def json(self) -> Any:
        return json.loads(self.body)


def is_to_repeat(answer: Answer) -> bool:
    """Whether the same request may be answered otherwise in a moment."""
    if answer.status == 409 and "retry-after" not in answer.headers:
        return False  # a decision, not a moment
    return answer.status in AGAIN or answer.status >= 500


@dataclass
class Client:
    """One company's technician and supervisor, asking over the same line."""

    index: int
    config: dict[str, Any]
    random: random.Random
    file: Any
    acked: list[str] = field(default_factory=list)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def __post_init__(self) -> None:
        names = sorted(self.config["companies"])
        self.own = self.config["companies"][names[self.index % 2]]
        other = self.config["companies"][names[1 - self.index % 2]]
        self.foreign = [other["company"], other["job"], *other["points"].values(), *other["finished"]]
        self.place: Any = SimpleNamespace(
            job=SimpleNamespace(id=self.own["job"]),
            points={tag: SimpleNamespace(id=one) for tag, one in self.own["points"].items()},
            instruments={use: SimpleNamespace(id=one) for use, one in self.own["instruments"].items()},
        )
        mine = self.index // 2
        self.to_approve = [one for n, one in enumerate(self.own["finished"]) if n % 2 == mine]

    def note(self, what: str, **more: Any) -> None:
        """A line that is on the disk when this returns."""
        with self.lock:
            self.file.write(json.dumps({"what": what, "at": time.time(), **more}) + "\n")
            self.file.flush()
            os.fsync(self.file.fileno())

    def is_over(self) -> bool:
        return Path(self.config["stop"]).exists()

    # Asking

    def once(self, method: str, path: str, body: bytes | None, headers: dict[str, str]) -> Answer:
        """One attempt. Raises OSError or HTTPException when no whole answer came."""
        begun = time.time()
        wire = http.client.HTTPConnection("127.0.0.1", self.config["port"], timeout=TIMEOUT_S)
        try:
            wire.request(method, path, body, headers)
            got = wire.getresponse()
            return Answer(got.status, {k.lower(): v for k, v in got.getheaders()}, got.read(), begun)
        finally:
            wire.close()

    def ask(
        self, method: str, path: str, body: Any = None, *, who: str = "tablet", key: str = "", match: str = ""
    ) -> Answer:
        """Asks until there is an answer that a repeat would not change."""
        data = body if isinstance(body, bytes) or body is None else json.dumps(body).encode()
        headers = {"Accept": "application/json", **self.identity(who)}
        if data is not None:
            headers |= {"Content-Type": "application/json", "Idempotency-Key": key or self.new_id()}
        if match:
            headers["If-Match"] = match
        patience_s = PATIENCE_S * self.config["slow"]
        deadline, cuts = time.monotonic() + patience_s, 0
        while time.monotonic() < deadline:
            try:
                answer = self.once(method, path, data, headers)
            except (OSError, http.client.HTTPException):
                cuts += 1
                time.sleep(self.random.uniform(0.05, 0.3))
                continue
            self.look_at(answer, path)
            if not is_to_repeat(answer):
                return answer
            time.sleep(self.random.uniform(0.1, 0.6))
        self.note("gave_up", path=path, cuts=cuts)
        raise SystemExit(f"no answer to {method} {path} in {patience_s:g} s")

    def identity(self, who: str) -> dict[str, str]:
        if who != "supervisor":
            return {"Authorization": f"Bearer {self.own[who]}"}
        csrf = "c" * 32
        return {"Cookie": f"sessionid={self.own[who]}; csrftoken={csrf}", "X-CSRFToken": csrf}

    def look_at(self, answer: Answer, path: str) -> None:
        """Notes a failure of the service, and anything of the other company."""
        if answer.status >= 500:
            told = answer.body[:300].decode(errors="replace")
            retry = "retry-after" in answer.headers
            self.note("status", status=answer.status, path=path, told=told, retry_after=retry)
        text = answer.body.decode(errors="replace") if len(answer.body) < 5_000_000 else ""
        if found := [one for one in self.foreign if one in text and one not in path]:
            self.note("leak", path=path, ids=found)

    def new_id(self) -> str:
        with self.lock:
            return str(uuid.UUID(int=self.random.getrandbits(128), version=4))

    # What it does

    def post(self) -> None:
        """A batch of one to four sessions; sometimes twice at once, again, or under another key."""
        sessions = [self.session() for _ in range(self.random.choice((1, 1, 2, 4)))]
        self.send(sessions)

    def session(self) -> dict[str, Any]:
        from tests.measurements import batches

        if self.random.random() < self.config.get("traverses", 0.5):
            return batches.traverse(self.place, "MD-1", flow=self.random.uniform(0.7, 1.1), id=self.new_id())
        flow = f"{self.random.uniform(60, 110):.1f}"
        return batches.hood(self.place, f"S-{self.random.randint(1, 3)}", flow, id=self.new_id())

    def send(self, sessions: list[dict[str, Any]]) -> None:
        from tests.measurements import batches

        body, key = batches.body(*sessions), self.new_id()
        meant = {one["id"]: [digest_of(one), len(one["readings"])] for one in sessions}
        self.note("intent", sessions=meant, body=hashlib.sha256(body).hexdigest())
        draw = self.random.random()
        twin = threading.Thread(target=self.ask, args=("POST", BATCHES, body)) if draw < 0.1 else None
        if twin:
            twin.start()
        answer = self.ask("POST", BATCHES, body, key=key)
        if answer.status != 200:
            self.note("refused", path=BATCHES, status=answer.status, told=answer.body[:500].decode())
            return
        outcomes = {one["session"]: one["outcome"] for one in answer.json["outcomes"]}
        good = [one for one, how in outcomes.items() if how in ("stored", "already_stored")]
        self.note("ack", sessions=good, begun=answer.begun)
        if len(good) < len(meant):
            self.note("refused", path=BATCHES, status=200, told=answer.body[:500].decode())
        self.acked = (self.acked + good)[-60:]
        if twin:
            twin.join()
        if 0.1 <= draw < 0.25:
            replay = self.ask("POST", BATCHES, body, key=key)
            if (replay.status, replay.body) != (answer.status, answer.body):
                self.note("other_replay", told=[answer.body[:200].decode(), replay.body[:200].decode()])
        elif 0.25 <= draw < 0.3:
            self.ask("POST", BATCHES, body)

    def read(self) -> None:
        draw = self.random.random()
        if draw < 0.2:
            foreign = self.config["companies"]
            ids = [one["job"] for one in foreign.values() if one["job"] != self.own["job"]]
            answer = self.ask("GET", f"/api/v1/jobs/{ids[0]}", who="key")
            if answer.status != 404:
                self.note("leak", path="foreign job", ids=[answer.status])
        elif draw < 0.5 and self.acked:
            self.ask("GET", f"/api/v1/sessions/{self.random.choice(self.acked)}", who="key")
        else:
            pages = [
                "/sessions?limit=50",
                "/jobs",
                "/events?limit=50",
                f"/flags?job={self.own['job']}&limit=50",
            ]
            self.ask("GET", "/api/v1" + self.random.choice(pages), who="key")

    def change(self) -> None:
        """An approval as long as there is a job to approve, else a correction or an answer to a flag."""
        if self.to_approve and self.random.random() < 0.3:
            self.approve(self.to_approve.pop())
        elif self.acked and self.random.random() < 0.7:
            self.correct(self.random.choice(self.acked))
        else:
            self.answer()

    def correct(self, session: str) -> None:
        path = f"/api/v1/sessions/{session}"
        seen = self.ask("GET", path, who="supervisor")
        if seen.status != 200:
            self.note("missing", session=session, status=seen.status)
            return
        right = {"value": f"{self.random.uniform(30, 60):.1f}", "unit": "%"}
        body = {"reason": REASON, "changes": [{"path": "/conditions/relative_humidity", "value": right}]}
        self.note("correction", session=session)
        made = self.ask("POST", f"{path}/corrections", body, who="supervisor", match=seen.headers["etag"])
        if made.status == 201:
            self.note("corrected", session=session, by=made.json["id"], begun=made.begun)

    def answer(self) -> None:
        found = self.ask("GET", f"/api/v1/flags?job={self.own['job']}&limit=20", who="supervisor").json
        if not found.get("items"):
            return
        flag = self.random.choice(found["items"])["id"]
        body = {"answer": "accept", "reason": REASON}
        made = self.ask("POST", f"/api/v1/flags/{flag}/answers", body, who="supervisor")
        if made.status == 201:
            self.note("answered", flag=flag, answer=made.json["id"], begun=made.begun)

    def approve(self, job: str) -> None:
        path = f"/api/v1/jobs/{job}"
        for flag in self.ask("GET", f"{path}/review", who="supervisor").json.get("flags", ()):
            if flag.get("blocks"):
                accepted = {"answer": "accept", "reason": REASON}
                self.ask("POST", f"/api/v1/flags/{flag['id']}/answers", accepted, who="supervisor")
        seen = self.ask("GET", f"{path}/review", who="supervisor")
        made = self.ask("POST", f"{path}/approve", {}, who="supervisor", match=seen.headers.get("etag", ""))
        if made.status not in (200, 201):
            self.note("refused", path=f"{path}/approve", status=made.status, told=made.body[:500].decode())
            return
        self.note("approved", revision=made.json["id"], begun=made.begun)
        issued = self.ask("POST", f"/api/v1/revisions/{made.json['id']}/issue", {}, who="supervisor")
        if issued.status in (200, 201, 202):
            self.note("issued", report=issued.json["id"], begun=issued.begun)
            self.fetch(issued.json["id"])

    def render(self) -> None:
        """An interim report of a finished job, asked for by name; then a file that is there is fetched."""
        job = self.random.choice(self.own["finished"])
        body = {"kind": "interim", "addressee": f"Copy {self.new_id()[:8]}"}
        made = self.ask("POST", f"/api/v1/jobs/{job}/documents", body, who="supervisor")
        if made.status in (200, 201, 202):
            self.note("issued", report=made.json["id"], begun=made.begun)
        reports = self.ask("GET", "/api/v1/reports?limit=20", who="supervisor").json.get("items", [])
        if ready := [one for one in reports if one.get("file")]:
            self.fetch(self.random.choice(ready)["id"])

    def fetch(self, report: str) -> None:
        """What is served is whole and the file that is recorded."""
        told = self.ask("GET", f"/api/v1/reports/{report}", who="supervisor").json
        if not told.get("file"):
            return
        got = self.ask("GET", f"/api/v1/reports/{report}/file", who="supervisor")
        if got.status == 200 and hashlib.sha256(got.body).hexdigest() != told["file"]["sha256"]:
            self.note("torn_file", report=report, size=len(got.body))

    def run(self) -> None:
        acts = [(self.post, 70), (self.read, 15), (self.change, 10), (self.render, 5)]
        names, shares = [act for act, _ in acts], [share for _, share in acts]
        while not self.is_over():
            self.random.choices(names, shares)[0]()
            time.sleep(self.config.get("pause", 0.0))
        self.note("end")


def main(path: str, index: int) -> None:
    django.setup()
    config = json.loads(Path(path).read_text())
    with (Path(config["folder"]) / f"client-{index}.jsonl").open("a") as file:
        Client(index, config, random.Random(f"{config['seed']}:{index}"), file).run()


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
