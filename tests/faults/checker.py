"""What was meant and acknowledged, against what is there: read past the product, by SQL and from files."""

import hashlib
import json
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from config.local.process import StartFailed
from tests.faults.load import readings_digest
from tests.faults.stand import Connection, Stand

READINGS = """
select session_id::text, run, line, point, quantity, entered, unit,
       (extract(epoch from taken_at) * 1000000)::bigint
from measurements_reading order by session_id
"""
EXPECTED = (
    r"django\.db\.utils\.(OperationalError|InterfaceError|InternalError)",
    r"psycopg(\.errors)?\.\w+",
    r"psycopg_pool\.\w+",
    r"redis\.exceptions\.\w+",
    r"kombu\.exceptions\.\w+",
    r"billiard\.exceptions\.\w+",
    r"celery\.(exceptions\.\w+|beat\.SchedulingError)",
    r"jobs\.errors\.(Busy|Conflict)",
    r"jobs\.due\.LeaseLost",
    r"(builtins\.)?(ConnectionError|ConnectionRefusedError|ConnectionResetError|BrokenPipeError|TimeoutError)",
    r"(builtins\.)?(FileNotFoundError|OSError|MemoryError|KeyboardInterrupt|SystemExit|BlockingIOError)",
    r"ImportError",  # a library for which there was no memory
    r"reports\.render\.parts\.PressGone",
    r"django\.contrib\.sessions\.exceptions\.SessionInterrupted",
    r"_?gdbm?\.error|dbm\.error",
)
"""Classes of failures that a killed, frozen or full part may leave in a log."""
LAST_LINE = re.compile(r"^([A-Za-z_][\w.]*)(:|$)")
TRACEBACK = "Traceback (most recent call last):"


@dataclass
class Meant:
    """What the clients wrote down."""

    sessions: dict[str, tuple[str, int]] = field(default_factory=dict)
    bodies: set[str] = field(default_factory=set)
    acked: set[str] = field(default_factory=set)
    corrections: Counter[str] = field(default_factory=Counter)
    corrected: dict[str, str] = field(default_factory=dict)
    answered: set[str] = field(default_factory=set)
    issued: set[str] = field(default_factory=set)
    approved: set[str] = field(default_factory=set)
    trouble: list[str] = field(default_factory=list)
    statuses: Counter[int] = field(default_factory=Counter)
    refused: Counter[str] = field(default_factory=Counter)

    @property
    def acked_readings(self) -> int:
        return sum(self.sessions[one][1] for one in self.acked)


BAD = ("leak", "torn_file", "other_replay", "missing", "gave_up")


def meant_by(folder: Path) -> Meant:
    """All lines of all clients."""
    found = Meant()
    for path in sorted(folder.glob("client-*.jsonl")):
        for line in path.read_text().splitlines():
            take(found, json.loads(line))
    return found


def take(found: Meant, row: dict[str, Any]) -> None:
    what = row["what"]
    if what == "intent":
        found.sessions |= {one: (digest, count) for one, (digest, count) in row["sessions"].items()}
        found.bodies.add(row["body"])
    elif what == "ack":
        found.acked |= set(row["sessions"])
    elif what == "correction":
        found.corrections[row["session"]] += 1
    elif what == "corrected":
        found.corrected[row["by"]] = row["session"]
    elif what in ("answered", "issued", "approved"):
        getattr(found, what).add(
            row[{"answered": "answer", "issued": "report", "approved": "revision"}[what]]
        )
    elif what == "status":
        found.statuses[row["status"]] += 1
        if row["status"] not in (503, 504) or not row["retry_after"]:
            found.trouble.append(f"a {row['status']} from {row['path']}: {row['told']}")
    elif what == "refused":
        found.refused[f"{row['status']} {row['told'][:160]}"] += 1
    elif what in BAD:
        found.trouble.append(json.dumps(row))


@dataclass
class Verdict:
    """Figures and what does not hold."""

    faults: list[str] = field(default_factory=list)
    figures: dict[str, float] = field(default_factory=dict)
    told: list[str] = field(default_factory=list)

    def expect(self, wrong: Any, words: str) -> None:
        """Notes a fault when there is something wrong."""
        if wrong:
            some = list(wrong)[:3] if isinstance(wrong, (set, list, dict)) else wrong
            count = f"{len(wrong)} " if isinstance(wrong, (set, list, dict)) else ""
            self.faults.append(f"{count}{words}: {some}")


def check(stand: Stand, moments: list[float]) -> Verdict:
    """Everything, after the load has ended and due work is done."""
    meant, verdict = meant_by(stand.plan.folder), Verdict()
    with stand.administrator() as connection:
        rows(connection, meant, verdict, stand.seeded)
        works(connection, meant, verdict)
        effects(connection, meant, verdict, moments, stand)
        files(connection, stand, verdict)
    verdict.expect(meant.trouble, "answers that should not be")
    verdict.expect(tracebacks(stand.log_files), "tracebacks of classes that nothing here explains")
    for world in stand.companies.values():
        try:
            stand.stack.manage("verify_evidence", "--company", world["company"])
        except StartFailed as failed:
            verdict.faults.append(f"the evidence of {world['company']} does not hold: {str(failed)[-1500:]}")
    verdict.told += [f"{count} x {words}" for words, count in meant.refused.most_common(5)]
    verdict.figures["answers 503"] = meant.statuses[503]
    return verdict


def rows(connection: Connection, meant: Meant, verdict: Verdict, seeded: set[str]) -> None:
    """P1 and P2: acknowledged is stored, once, as it was meant; nothing else is."""
    ids = [row[0] for row in all_of(connection, "select id::text from measurements_session")]
    stored = set(ids)
    lost, doubled = meant.acked - stored, [one for one, n in Counter(ids).items() if n > 1]
    lost_readings = sum(meant.sessions[one][1] for one in lost)
    verdict.expect(lost, "acknowledged sessions are lost")
    verdict.expect(doubled, "sessions are stored twice")
    corrections = dict(
        all_of(connection, "select session_id::text, original_id::text from measurements_correction")
    )
    verdict.expect(stored - set(meant.sessions) - set(corrections) - seeded, "sessions nobody meant")
    often = Counter(corrections.values())
    verdict.expect(
        [one for one, n in often.items() if n > meant.corrections[one]], "corrections nobody meant"
    )
    verdict.expect(set(meant.corrected) - set(corrections), "acknowledged corrections are lost")
    found = dict(digests(connection))
    other = [one for one in stored & set(meant.sessions) if found.get(one) != meant.sessions[one][0]]
    verdict.expect(other, "sessions are stored with other readings than were sent")
    off = [one for one, of in meant.corrected.items() if found.get(one) != found.get(of)]
    verdict.expect(off, "corrections have other readings than what they correct")
    bodies = {row[0] for row in all_of(connection, "select body_digest from measurements_batch")}
    strange = bodies - meant.bodies - seeded
    verdict.expect(strange, "batches nobody sent")
    answers = {row[0] for row in all_of(connection, "select id::text from measurements_flaganswer")}
    verdict.expect(meant.answered - answers, "acknowledged answers to flags are lost")
    verdict.figures |= {
        "P1 acked readings": meant.acked_readings, "P1 lost readings": lost_readings,
        "P2 sessions": len(stored), "P2 duplicates": len(doubled), "acked batches": len(meant.bodies),
        "corrections": len(meant.corrected), "approvals": len(meant.approved),
    }  # fmt: skip


def remember_seed(stand: Stand) -> None:
    """Keeps what stood before the load."""
    with stand.administrator() as connection:
        stand.seeded = {row[0] for row in all_of(connection, "select id::text from measurements_session")}
        stand.seeded |= {row[0] for row in all_of(connection, "select body_digest from measurements_batch")}


def digests(connection: Connection) -> Iterator[tuple[str, str]]:
    """Each stored session's digest of its readings, made like the client's."""
    session, gathered = "", list[tuple[Any, ...]]()
    with connection.transaction(), connection.cursor(name="readings") as cursor:
        cursor.execute(READINGS)
        for row in cursor:
            if row[0] != session and session:
                yield session, readings_digest(gathered)
                gathered = []
            session = row[0]
            gathered.append(tuple(row[1:]))
    if session:
        yield session, readings_digest(gathered)


def works(connection: Connection, meant: Meant, verdict: Verdict) -> None:
    """P11: all due work is done, or parked with its reason."""
    left = all_of(connection, "select kind, state, attempts, error from jobs_duework")
    verdict.expect([row for row in left if row[1] != "parked"], "pieces of work are neither done nor parked")
    verdict.expect([row for row in left if row[1] == "parked" and not row[3]], "parked without a reason")
    verdict.told += [f"parked: {row}" for row in left if row[1] == "parked"][:5]
    verdict.figures["P11 parked"] = sum(row[1] == "parked" for row in left)
    parked = {
        row[0]
        for row in all_of(connection, "select subject_id::text from jobs_duework where state = 'parked'")
    }
    done = {row[0] for row in all_of(connection, "select session_id::text from measurements_result")}
    verdict.expect(meant.acked - done - parked, "acknowledged sessions are lost to the workers")
    unnumbered = all_of(connection, "select count(*) from jobs_unnumberedevent")[0][0]
    verdict.expect(unnumbered, "events without a number")


def effects(
    connection: Connection, meant: Meant, verdict: Verdict, moments: list[float], stand: Stand
) -> None:
    """Each effect once: one event a result, one file an issue, no flag twice. And how soon after a fault."""
    results = all_of(
        connection,
        "select r.session_id::text, extract(epoch from r.computed_at)::float8,"
        " extract(epoch from s.received_at)::float8"
        " from measurements_result r join measurements_session s on s.id = r.session_id",
    )
    told = Counter(
        row[0] for row in all_of(
            connection, "select subject_id::text from jobs_event where verb = 'session.evaluated'"
        )
    )  # fmt: skip
    made = Counter(row[0] for row in results)
    # What is corrected is evaluated anew, from what is known by then.
    plain = [one for one in meant.acked if made[one] > 1 and one not in meant.corrections]
    double = [one for one in made if told[one] != made[one]]
    flags = all_of(
        connection,
        "select session_id::text, rule, seen, count(*) from measurements_flag where session_id is not null"
        " group by 1, 2, 3 having count(*) > 1",
    )
    rendered = Counter(row[0] for row in all_of(connection, "select issue_id::text from reports_issuedfile"))
    twice = [one for one, n in rendered.items() if n > 1]
    verdict.expect(plain, "sessions have two results of the same knowledge")
    verdict.expect(double, "results and their events differ in number")
    verdict.expect(flags, "flags are raised twice")
    verdict.expect(twice, "reports have two files")
    parked = {row[0] for row in all_of(connection, "select subject_id::text from jobs_duework")}
    verdict.expect(meant.issued - set(rendered) - parked, "reports were never made")
    verdict.figures |= {
        "P11 tasks": len(results) + sum(rendered.values()),
        "P11 double effects": len(plain) + len(double) + len(flags) + len(twice),
        "P11 reports": sum(rendered.values()),
    }
    tell_poison(stand, verdict, results)
    waits = sorted(
        computed - moment
        for _, computed, received in results
        for moment in moments
        if received <= moment < computed and not any(moment < later <= computed for later in moments)
    )
    verdict.figures["P11 restart to done p95 s"] = quantile(waits, 0.95)
    verdict.figures["P11 restart to done worst s"] = waits[-1] if waits else 0.0


def tell_poison(stand: Stand, verdict: Verdict, results: list[Any]) -> None:
    """P12: how long sessions waited for their result while poison was about, against the rest of the run."""
    if not stand.spells:
        return
    inside, outside = list[float](), list[float]()
    for _, computed, received in results:
        is_inside = any(begun <= received <= end for begun, end in stand.spells)
        (inside if is_inside else outside).append(computed - received)
    verdict.figures["P12 others' wait p95 s"] = quantile(sorted(inside), 0.95)
    verdict.figures["P12 wait without poison p95 s"] = quantile(sorted(outside), 0.95)


def files(connection: Connection, stand: Stand, verdict: Verdict) -> None:
    """Every file of an issued report is there and is the one that is recorded."""
    folder = stand.stack.world.home / "media"
    for name, sha256 in all_of(connection, "select name, sha256 from reports_issuedfile"):
        path = folder / name
        data = path.read_bytes() if path.exists() else b""
        verdict.expect(hashlib.sha256(data).hexdigest() != sha256, f"{name} is not the file recorded")


def tracebacks(logs: list[Path]) -> Counter[str]:
    """Classes of failures in the logs that no fault explains."""
    found: Counter[str] = Counter()
    for path in logs:
        if path.name not in ("postgresql.log", "valkey.log"):
            for name in classes_in(path.read_text(errors="replace").splitlines()):
                if not any(re.fullmatch(one, name) for one in EXPECTED):
                    found[f"{path.stem}: {name}"] += 1
    return found


def classes_in(lines: list[str]) -> Iterator[str]:
    """The class of each traceback: of the JSON lines, and of the plain ones."""
    is_inside = False
    for line in lines:
        if line.startswith("{"):
            yield from of_json(line)
        elif line.endswith(TRACEBACK):
            is_inside = True
        elif is_inside and not line.startswith((" ", "\t")) and (match := LAST_LINE.match(line)):
            is_inside = False
            yield match[1]


def of_json(line: str) -> Iterator[str]:
    try:
        text = json.loads(line).get("traceback", "")
    except ValueError:  # a line that a killed process left half written
        return
    if text:
        yield from list(classes_in(text.splitlines()))[-1:]


def all_of(connection: Connection, query: str) -> list[Any]:
    return connection.execute(query.encode()).fetchall()


def quantile(values: list[float], share: float) -> float:
    """The value below which a share of the sorted values lies; 0 without any."""
    return values[min(len(values) - 1, int(share * len(values)))] if values else 0.0
