"""Plays the story against a running service.

    BASE_URL=… python -m config.local.demo [--seed] [--out FOLDER]

--seed leaves a second job waiting in the supervisor's queue and prints who can sign in.
"""

import argparse
import hashlib
import os
import sys
import urllib.error
import uuid
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

from config.local.demo import scenario
from config.local.demo.client import Client, Surprise
from config.local.demo.field import Tablet
from config.local.demo.story import Story, expect, figure, stored, tell, wait_for, write_summary

REASON_SHORT = "The run to this diffuser is too small; the installer re-ducts it, the owner knows."


def play(story: Story) -> dict[str, Any]:
    """From nothing to the issued report. Returns what later steps need."""
    company = story.found_company(scenario.COMPANY, scenario.OWNER)
    owner = story.person(scenario.OWNER)
    seen = owner.call("GET", "/api/v1/company")
    change = {"letterhead": scenario.LETTERHEAD, "time_zone": scenario.SITE["time_zone"]}
    owner.call("PATCH", "/api/v1/company", change, headers={"If-Match": seen.headers["ETag"]})
    for person in (scenario.DISPATCHER, scenario.TECHNICIAN, scenario.SUPERVISOR):
        story.invite(owner, person)
    members = {m["email"]: m["id"] for m in owner.all("/api/v1/members")}
    tell(f"Company: {scenario.COMPANY}; owner, dispatcher, technician and supervisor joined by mail.")
    office = story.key(owner, "Office", ["read", "plan", "instruments"])

    site, systems = schedule(story, office)
    tools = {tool.serial: story.add_tool(office, tool) for tool in scenario.TOOLS}
    job = plan(story, office, site, systems, members[scenario.TECHNICIAN.email], tools)
    tablet = story.tablet(owner, company, scenario.TECHNICIAN)
    supervisor = story.person(scenario.SUPERVISOR)
    sessions = measure(story, tablet, supervisor)
    submit(story, tablet, job)
    review(story, supervisor, job, sessions)
    report = issue(story, supervisor, job)
    return {"company": company, "job": job, "owner": owner, "office": office, "report": report,
            "supervisor": supervisor, "tablet": tablet, "site": site, "systems": systems,
            "members": members, "tools": tools}  # fmt: skip


def schedule(story: Story, office: Client) -> tuple[str, list[str]]:
    """The engineer's schedule: first with a mistake, refused whole; then right."""
    customer = office.post("/api/v1/customers", scenario.CUSTOMER)
    office.get(f"/api/v1/customers/{customer['id']}")
    site = office.post("/api/v1/sites", scenario.SITE | {"customer": customer["id"]})
    office.get(f"/api/v1/sites/{site['id']}")
    address, csv = f"/api/v1/sites/{site['id']}/schedule", {"Content-Type": "text/csv"}
    wrong = scenario.schedule().replace(",900,500,", ",900,,").encode()
    refused = office.call("POST", address, wrong, headers=csv, expect=422).json
    fault = refused["errors"][0]
    tell(f"Schedule with a missing size: refused whole. {fault['pointer']}: {fault['detail']}")
    expect(not office.all("/api/v1/systems"), "a refused schedule left systems behind")
    done = office.call("POST", address, scenario.schedule().encode(), headers=csv).json
    tell(f"Schedule imported: {done['systems']['added']} systems, {done['points']['added']} test points.")
    systems = [system["id"] for system in office.all("/api/v1/systems")]
    for system in systems:
        office.get(f"/api/v1/systems/{system}")
    supply = next(one["id"] for one in office.all("/api/v1/systems") if one["tag"] == "AHU-1")
    for tag, kind, place, design in scenario.POINTS:
        point = {"system": supply, "tag": tag, "kind": kind, "location": place, **design}
        office.post("/api/v1/points", point)
    for point in office.all("/api/v1/points"):
        office.get(f"/api/v1/points/{point['id']}")
    return str(site["id"]), systems


def plan(
    story: Story, office: Client, site: str, systems: list[str], technician: str, tools: dict[str, str]
) -> str:
    """One job; an instrument whose calibration has lapsed is refused and replaced."""
    today = datetime.now(UTC).date()
    body = {
        "title": "Balance of the reading rooms",
        "site": site,
        "systems": systems,
        "starts_on": (today - timedelta(days=1)).isoformat(),  # the day's readings lie a few hours back
        "ends_on": (today + timedelta(days=2)).isoformat(),
    }
    job = office.post("/api/v1/jobs", body)
    office.post(f"/api/v1/jobs/{job['id']}/people", {"member": technician})
    for tool in scenario.TOOLS:
        given = {"instrument": tools[tool.serial]}
        answer = office.call(
            "POST", f"/api/v1/jobs/{job['id']}/instruments", given, expect=409 if tool.lapsed else (200, 201)
        )
        if tool.lapsed:
            why = answer.json["errors"][0]["detail"]
            tell(f"Job {job['number']}: {tool.name} {tool.serial} refused. {why}")
    planned = office.get(f"/api/v1/jobs/{job['id']}")
    serials = ", ".join(row["serial"] for row in planned["instruments"])
    tell(f"Job {job['number']} planned with {planned['people'][0]['name']} and {serials}.")
    return str(job["id"])


def measure(story: Story, tablet: Client, reader: Client) -> dict[str, str]:
    """The technician's day. Returns the session that counts for each tag."""
    work = tablet.get("/api/v1/field/worklist")
    day = Tablet(work["jobs"][0], datetime.now(UTC) - timedelta(hours=4))
    layout = day.points()["MD-1"]["layout"]
    tell(
        f"Worklist on the tablet: {len(day.points())} points; MD-1 by {layout['rule'].replace('_', ' ')}, "
        f"{layout['lines']} holes of {layout['points']} points, reach {layout['reach_m'] * 1000:.0f} mm."
    )
    sessions: dict[str, str] = {}

    swapped = day.traverse("MD-1", "4.2", "2.0", sign="-")
    key = str(uuid.uuid4())
    expect(list(stored(story.post(tablet, [swapped], key))) == ["stored"], "the first batch was not stored")
    repeat = list(stored(story.post(tablet, [swapped])))
    expect(repeat == ["already_stored"], f"a repeated session was {repeat}")
    tell("MD-1 traversed and posted twice: stored once, the repeat is known.")
    again_flags = wait_for("flag on swapped hoses", lambda: hoses(story, reader, swapped["id"]))
    tell(f"The worker flags it: {again_flags['seen']} {again_flags['advice']}")
    reader.post(
        f"/api/v1/flags/{again_flags['id']}/answers",
        {"answer": "remeasure", "reason": "Hoses swapped at the manometer; measure again."},
    )
    work = tablet.get("/api/v1/field/worklist")
    expect(len(work["jobs"][0]["remeasure"]) == 1, "the request did not reach the tablet")
    again = day.traverse("MD-1", "4.2", "2.0")
    again["supersedes"] = {"session": swapped["id"], "reason": "Hoses were swapped."}

    bad = day.outlet("S-01", unit="L/fortnight")
    outcomes = story.post(tablet, [again, bad])
    expect(list(stored(outcomes)) == ["stored", "refused"], f"the half-bad batch answered {outcomes}")
    fault = outcomes[1]["errors"][0]
    tell(
        f"Half-bad batch: the traverse is stored; of the outlet it says {fault['pointer']}: {fault['detail']}"
    )
    sessions["MD-1"] = again["id"]

    first = {tag: day.found(tag, share) for tag, share in scenario.AS_FOUND.items()}
    expect(set(stored(story.post(tablet, list(first.values())))) == {"stored"}, "the first round failed")
    turned = {tag: day.set_to(tag, one) for tag, one in first.items() if tag != scenario.SHORT_OUTLET}
    expect(set(stored(story.post(tablet, list(turned.values())))) == {"stored"}, "the settings failed")
    tell(f"First round of {len(first)} outlets on BD-1; {len(turned)} dampers set to the lowest share.")
    first |= turned

    batch = [day.traverse("BD-1", "1.5", "1.0"), day.sweeps("OP-1", "3.6", "1.5")]
    batch += [day.outlet(tag, before=first.get(tag)) for tag, *_ in scenario.OUTLETS]
    outcomes = story.post(tablet, batch)
    expect(set(stored(outcomes)) == {"stored"}, f"the main batch answered {outcomes}")
    tags = ["BD-1", "OP-1", *(tag for tag, *_ in scenario.OUTLETS)]
    sessions |= {tag: made["id"] for tag, made in zip(tags, batch, strict=True)}
    figures: dict[str, Any] = {}
    for tag, session in sessions.items():
        figures[tag] = story.result(reader, session)
        true = scenario.carried(tag)
        error = abs(figures[tag]["flow_m3_s"] - true)
        expect(error <= 2 * figures[tag]["flow_expanded_m3_s"], f"{tag} is off: {figures[tag]}")
        tell(f"  {tag:5} {figure(figures[tag])}")
    for tag, made in (made_tests := {one["tag"]: one for one in day.tests()}).items():
        expect(list(stored(story.post(tablet, [made["session"]]))) == ["stored"], f"{tag} was not stored")
        figures[tag] = story.result(reader, made["session"]["id"])
        expect(figures[tag]["outcome"] == "computed", f"{tag}: {figures[tag]['refusal']}")
        tell(f"  {tag:5} {figure(figures[tag])}")
    story.summary["figures"] = figures
    return sessions | {tag: made["session"]["id"] for tag, made in made_tests.items()}


def hoses(story: Story, reader: Client, session: str) -> dict[str, Any] | None:
    found = [flag for flag in story.flags(reader, session) if flag["rule"] == "swapped_hoses"]
    return found[0] if found else None


def submit(story: Story, tablet: Client, job: str) -> None:
    handed = tablet.post(f"/api/v1/jobs/{job}/submit")
    tell(f"Handed over for review; missing: {handed.get('missing') or 'nothing'}.")


def review(story: Story, supervisor: Client, job: str, sessions: dict[str, str]) -> None:
    """Every flag that waits is accepted with a reason; then exactly what was seen is approved."""
    queue = supervisor.get("/api/v1/review")["items"]
    expect(any(entry["job"]["id"] == job for entry in queue), "the job is not in the queue")
    flags = supervisor.get(f"/api/v1/jobs/{job}/review")["flags"]
    waiting = [flag for flag in flags if flag["blocks"]]
    for flag in waiting:
        short = flag["session"] == sessions[scenario.SHORT_OUTLET]
        reason = REASON_SHORT if short else "Looked at with the drawings; the figure is used as it stands."
        body = {"answer": "accept", "reason": reason}
        supervisor.post(f"/api/v1/flags/{flag['id']}/answers", body)
        tell(f"Accepted with a reason: {flag['seen']}")
    seen = supervisor.call("GET", f"/api/v1/jobs/{job}/review")
    stale = {"If-Match": '"' + "0" * 64 + '"'}
    supervisor.call("POST", f"/api/v1/jobs/{job}/approve", {}, headers=stale, expect=412)
    approved = supervisor.call(
        "POST", f"/api/v1/jobs/{job}/approve", {}, headers={"If-Match": seen.headers["ETag"]}
    ).json
    story.summary["snapshot_digest"] = approved["snapshot_digest"]
    tell(f"Approved as seen: revision {approved['revision']}, snapshot {approved['snapshot_digest'][:16]}…")
    story.summary["revision"] = approved["id"]


def issue(story: Story, supervisor: Client, job: str) -> dict[str, Any]:
    """Numbered, rendered by a worker, fetched."""
    made = supervisor.post(f"/api/v1/revisions/{story.summary['revision']}/issue")
    address = f"/api/v1/reports/{made['id']}"

    def ready() -> dict[str, Any] | None:
        found: dict[str, Any] = supervisor.get(address)
        expect(found["state"] != "failed", f"rendering failed: {found}")
        return found if found["state"] == "issued" else None

    report: dict[str, Any] = wait_for("the report", ready)
    pages, address = report["file"]["pages"], report["check_address"]
    tell(f"Issued: {report['number']} revision 1, {pages} pages, check at {address}")
    return report


def verify(story: Story, report: dict[str, Any], supervisor: Client, out: Path) -> None:
    """The file is the issued one; a copy with one changed byte is not."""
    pdf = supervisor.call("GET", f"/api/v1/reports/{report['id']}/file").body
    expect(hashlib.sha256(pdf).hexdigest() == report["file"]["sha256"], "the file is not the one recorded")
    path = out / f"{report['number']}.pdf"
    path.write_bytes(pdf)
    changed = bytearray(pdf)
    changed[len(changed) // 2] ^= 1
    standing = {name: check(story, report, data) for name, data in (("it", pdf), ("copy", bytes(changed)))}
    expect(standing == {"it": "current", "copy": "unknown"}, f"the check said {standing}")
    tell("Checked at the public address: the file is the issued one; a copy with one changed byte is not.")
    story.summary["report"] = {
        "number": report["number"],
        "sha256": report["file"]["sha256"],
        "pdf": str(path),
    }


def check(story: Story, report: dict[str, Any], pdf: bytes) -> str:
    mark = uuid.uuid4().hex
    parts = [
        f'--{mark}\r\nContent-Disposition: form-data; name="address"\r\n\r\n'.encode(),
        report["check_address"].encode(),
        f'\r\n--{mark}\r\nContent-Disposition: form-data; name="file"; filename="a.pdf"\r\n'
        "Content-Type: application/pdf\r\n\r\n".encode(),
        pdf,
        f"\r\n--{mark}--\r\n".encode(),
    ]
    headers = {"Content-Type": f"multipart/form-data; boundary={mark}"}
    answer = Client(story.base_url).call("POST", "/api/v1/public/check", b"".join(parts), headers=headers)
    return str(answer.json["standing"])


def stranger(story: Story) -> None:
    """The second company asks for every address that was seen, and gets nothing."""
    story.found_company(scenario.OTHER_COMPANY, scenario.STRANGER)
    person = Client(story.base_url)
    person.sign_in(scenario.STRANGER.email, scenario.PASSWORD)
    key = Client(
        story.base_url,
        token=person.post("/api/v1/keys", {"name": "Probe", "scopes": ["read", "plan", "instruments"]})[
            "token"
        ],
    )
    tried = 0
    for address in sorted(a for a in story.seen if any(part.count("-") == 4 for part in a.split("/"))):
        for client in (person, key):
            answer = client.send("GET", address, None, headers={}, key=None)
            expect(answer.status in (403, 404), f"{address} answered the stranger {answer.status}")
            tried += 1
    for listing in ("jobs", "customers", "instruments", "sessions", "flags", "reports", "systems", "points"):
        expect(key.all(f"/api/v1/{listing}") == [], f"the stranger sees {listing}")
    tell(f"{scenario.OTHER_COMPANY} asks for all of it by id, {tried} times, and for every list: nothing.")
    story.summary["foreign_requests_refused"] = tried


def leave_work(story: Story, made: dict[str, Any]) -> None:
    """A second job, submitted and waiting for the supervisor."""
    office, today = made["office"], datetime.now(UTC).date()
    body = {
        "title": "Check of the reading rooms after the works",
        "site": made["site"],
        "systems": made["systems"],
        "starts_on": (today - timedelta(days=4)).isoformat(),
        "ends_on": (today - timedelta(days=2)).isoformat(),
    }
    job = office.post("/api/v1/jobs", body)
    office.post(f"/api/v1/jobs/{job['id']}/people", {"member": made["members"][scenario.TECHNICIAN.email]})
    for tool in scenario.TOOLS:
        if not tool.lapsed:
            given = {"instrument": made["tools"][tool.serial]}
            office.post(f"/api/v1/jobs/{job['id']}/instruments", given)
    jobs = made["tablet"].get("/api/v1/field/worklist")["jobs"]
    work = next(one for one in jobs if one["id"] == job["id"])
    day = Tablet(work, datetime.now(UTC) - timedelta(days=3))
    batch = [day.traverse("MD-1", "4.2", "2.0"), day.traverse("BD-1", "0.9", "0.5", sign="-")]
    batch += [day.outlet(tag) for tag, *_ in scenario.OUTLETS[:10]]
    expect(set(stored(story.post(made["tablet"], batch))) == {"stored"}, "the second job's batch failed")
    for session in batch:
        story.result(made["supervisor"], session["id"])
    made["tablet"].post(f"/api/v1/jobs/{job['id']}/submit")


def leave_field(story: Story, made: dict[str, Any]) -> None:
    """A job to be measured today, one that waits for people, and a code for a tablet."""
    office, today = made["office"], datetime.now(UTC).date()
    job = planned(office, made, "Balance of the reading rooms, second season", today, 4)
    office.post(f"/api/v1/jobs/{job}/people", {"member": made["members"][scenario.TECHNICIAN.email]})
    for tool in scenario.TOOLS:
        if not tool.lapsed:
            given = {"instrument": made["tools"][tool.serial]}
            office.post(f"/api/v1/jobs/{job}/instruments", given)
    planned(office, made, "Outlets of the children's library", today + timedelta(days=6), 2)
    code = made["owner"].post("/api/v1/devices/pairing-codes", {"name": "Tablet 2"})["code"]
    tell(f"A tablet: open {story.base_url}/field/ within ten minutes, company {made['company']}, code {code}")


def planned(office: Client, made: dict[str, Any], title: str, first: date, days: int) -> str:
    last = first + timedelta(days=days - 1)
    window = {"starts_on": first.isoformat(), "ends_on": last.isoformat()}
    body = {"title": title, "site": made["site"], "systems": made["systems"], **window}
    return str(office.post("/api/v1/jobs", body)["id"])


def logins(base_url: str) -> None:
    tell(f"Sign in at {base_url}/signin, password for all: {scenario.PASSWORD}")
    for person in (scenario.OWNER, scenario.DISPATCHER, scenario.TECHNICIAN, scenario.SUPERVISOR):
        tell(f"  {person.email:34} {', '.join(person.roles)} of {scenario.COMPANY}")
    tell(f"  {scenario.STRANGER.email:34} owner of {scenario.OTHER_COMPANY}")


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m config.local.demo")
    parser.add_argument("--seed", action="store_true")
    parser.add_argument("--out", type=Path, default=Path("var/demo"))
    given = parser.parse_args()
    given.out.mkdir(parents=True, exist_ok=True)
    story = Story(os.environ["BASE_URL"])
    try:
        made = play(story)
        verify(story, made["report"], made["supervisor"], given.out)
        stranger(story)
        if given.seed:
            leave_work(story, made)
            leave_field(story, made)
            logins(story.base_url)
    except (Surprise, urllib.error.URLError) as surprise:
        print(f"SURPRISE: {surprise}", file=sys.stderr)
        return 1
    path = write_summary(given.out, story.summary)
    tell(f"PDF: {story.summary['report']['pdf']}\nSummary: {path}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
