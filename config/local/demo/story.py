"""The story of the demo, step by step, each told in a line or two with the figures."""

import json
import os
import re
import subprocess
import sys
import time
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from config.local.demo import scenario
from config.local.demo.client import Client, Surprise
from config.local.demo.scenario import Person, Tool
from measurements.calc.uncertainty import rounded

ROOT = Path(__file__).resolve().parents[3]
PATIENCE_S = 60.0


def tell(text: str) -> None:
    print(text, flush=True)


def expect(truth: bool, words: str) -> None:
    """The story ends where something is otherwise than told."""
    if not truth:
        raise Surprise(words)


def wait_for(what: str, ready: Callable[[], Any]) -> Any:
    """Polls until it is there. Raises Surprise after a minute."""
    limit = time.monotonic() + PATIENCE_S
    while time.monotonic() < limit:
        if found := ready():
            return found
        time.sleep(0.2)
    raise Surprise(f"{what}: not within {PATIENCE_S:.0f} s")


def figure(result: dict[str, Any]) -> str:
    """A ledger line: value ± U, share of design, verdict."""
    value, expanded, unit = result["value"], result["value_expanded"], result["unit"]
    if unit == "m³/s":
        value, expanded, unit = value * 1000, expanded * 1000, "L/s"
    share = result["share_of_design"]
    words = result["verdict"].replace("_", " ")
    told = " ± ".join(rounded(value, expanded)) + f" {unit}"
    return f"{told}, {share:.1%} of design, {words}" if share is not None else f"{told}, {words}"


@dataclass
class Story:
    """Speaks for all people of the story through the service's public doors."""

    base_url: str
    summary: dict[str, Any] = field(default_factory=dict)

    # People

    def found_company(self, name: str, owner: Person) -> str:
        """The operator's command makes the company; its owner chooses a password. Returns the short id."""
        command = [sys.executable, str(ROOT / "manage.py"), "create_company", name]
        command += ["--owner-name", owner.name, "--owner-email", owner.email]
        done = subprocess.run(command, env=dict(os.environ), capture_output=True, text=True, check=False)
        expect(done.returncode == 0, f"create_company failed:\n{done.stdout}{done.stderr}")
        client = Client(self.base_url)
        page = "/" + done.stdout.split()[-1].split("/", 3)[3]
        client.call("GET", page)
        client.form(page, {"password": scenario.PASSWORD, "csrfmiddlewaretoken": client.csrf()})
        return str(self.person(owner).get("/api/v1/company")["short_id"])

    def accept(self, link: str) -> None:
        body = {"token": link.rsplit("/", 1)[-1], "password": scenario.PASSWORD}
        Client(self.base_url).call("POST", "/api/v1/invitations/accept", body)

    def person(self, who: Person) -> Client:
        """A person signed in on the pages."""
        client = Client(self.base_url, seen=self.seen)
        client.sign_in(who.email, scenario.PASSWORD)
        return client

    seen: set[str] = field(default_factory=set)

    def invite(self, owner: Client, who: Person) -> None:
        """By mail, as it happens; the demo's mails are files."""
        body = {"name": who.name, "email": who.email, "roles": list(who.roles)}
        owner.post("/api/v1/invitations", body)
        link = wait_for(f"mail to {who.email}", lambda: mailed_link(who.email))
        self.accept(link)

    def key(self, owner: Client, name: str, scopes: list[str]) -> Client:
        made = owner.post("/api/v1/keys", {"name": name, "scopes": scopes})
        return Client(self.base_url, token=made["token"], seen=self.seen)

    def tablet(self, owner: Client, company: str, who: Person) -> Client:
        """Pairs a tablet by a short code; a person signs in on it."""
        code = owner.post("/api/v1/devices/pairing-codes", {"name": "Tablet 1"})["code"]
        nobody = Client(self.base_url)
        paired = nobody.post("/api/v1/devices/pair", {"company": company, "code": code})
        device = Client(self.base_url, token=paired["token"])
        signed = device.post("/api/v1/devices/sign-in", {"email": who.email, "password": scenario.PASSWORD})
        return Client(self.base_url, token=signed["token"], seen=self.seen)

    # Instruments and plan

    def add_tool(self, office: Client, tool: Tool) -> str:
        body: dict[str, Any] = {
            "serial": tool.serial,
            "name": tool.name,
            "kind": tool.kind,
            "ranges": [
                {
                    "quantity": tool.quantity,
                    "unit": tool.unit,
                    "minimum": str(tool.low),
                    "maximum": str(tool.high),
                    "resolution": str(tool.resolution),
                    "accuracy_absolute": str(tool.absolute),
                    "accuracy_of_reading": tool.of_reading,
                }
            ],
        }
        if tool.probe_length_m:
            body["probe_length"] = {"value": str(tool.probe_length_m), "unit": "m"}
            body |= {"probe_factor": tool.probe_factor, "probe_factor_u": tool.probe_factor_u}
        made = office.post("/api/v1/instruments", body)
        today = datetime.now(UTC).date()
        calibrated = today - timedelta(days=400 if tool.lapsed else 60)
        certificate = {
            "number": f"C-{tool.serial}",
            "laboratory": "Gannet Row Calibration Laboratory",
            "accreditation": "demo, not accredited",
            "calibrated_on": calibrated.isoformat(),
            "due_on": (calibrated + timedelta(days=365)).isoformat(),
            "points": [
                {
                    "quantity": tool.quantity,
                    "unit": tool.unit,
                    "reference": f"{reference:.4f}",
                    "as_found": f"{shown:.4f}",
                    "as_left": f"{shown:.4f}",
                    "expanded_uncertainty": str(tool.expanded),
                    "coverage_factor": 2,
                }
                for reference, shown in tool.points()
            ],
        }
        office.post(f"/api/v1/instruments/{made['id']}/certificates", certificate)
        office.get(f"/api/v1/instruments/{made['id']}")
        return str(made["id"])

    # Readings

    def post(self, tablet: Client, sessions: list[dict[str, Any]], key: str | None = None) -> list[Any]:
        body = {"sent_at": datetime.now(UTC).isoformat(), "sessions": sessions}
        answer = tablet.post("/api/v1/field/batches", body, key=key or str(uuid.uuid4()))
        return list(answer["outcomes"])

    def result(self, reader: Client, session: str) -> dict[str, Any]:
        """Waits for the worker's evaluation."""

        def ready() -> dict[str, Any] | None:
            found: dict[str, Any] | None = reader.get(f"/api/v1/sessions/{session}")["result"]
            return found

        found: dict[str, Any] = wait_for(f"evaluation of {session}", ready)
        return found

    def flags(self, reader: Client, session: str) -> list[dict[str, Any]]:
        job = reader.get(f"/api/v1/sessions/{session}")["job"]
        return [f for f in reader.all(f"/api/v1/flags?job={job}") if f["session"] == session]


def mailed_link(email: str) -> str | None:
    """The newest link mailed to an address, from the files that stand for the mail host locally."""
    folder = Path(os.environ["VAR_ROOT"]) / "mail"
    for path in sorted(folder.glob("*"), key=lambda p: p.stat().st_mtime, reverse=True):
        text = path.read_text(errors="replace").replace("=\n", "").replace("=3D", "=")
        if f"To: {email}" in text and (found := re.search(r"https?://\S+/invitation/\S+", text)):
            return found.group(0)
    return None


def stored(outcomes: list[Any]) -> Iterator[str]:
    return (outcome["outcome"] for outcome in outcomes)


def write_summary(folder: Path, summary: dict[str, Any]) -> Path:
    path = folder / "summary.json"
    path.write_text(json.dumps(summary, indent=2, sort_keys=True, ensure_ascii=False) + "\n")
    return path
