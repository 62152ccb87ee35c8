"""A job on a tablet without a service: the described methods, points and instruments of a work list, a store.

For looking at every method's screens; figures are invented.
"""

from typing import Any

from playwright.sync_api import Page

from measurements.methods import METHODS
from measurements.methods.described import described

DAY = "2026-03-02"
CERTIFICATE = {"number": "C-1", "laboratory": "Vale Calibration Laboratory", "calibrated_on": "2025-09-01"}
TOOLS = {
    "pressure": ("manometer", "pressure", -2500.0, 2500.0, 0.1),
    "probe": ("pitot_tube", "factor", 0.9, 1.1, 0.001),
    "velocity": ("anemometer", "velocity", 0.1, 20.0, 0.01),
    "hood": ("flow_hood", "flow", 0.01, 1.2, 0.0005),
    "temperature": ("thermometer", "temperature", 253.15, 353.15, 0.1),
    "water_pressure": ("pressure_gauge", "pressure", 0.0, 5e5, 100.0),
}


def tool(use: str, due: str | None = "2026-09-01", **more: Any) -> dict[str, Any]:
    """An instrument of the work list by what it is for; `due` None: without a certificate."""
    kind, quantity, low, high, resolution = TOOLS[use]
    return {
        "id": f"tool-{use}", "serial": f"SN-{use}", "name": kind.replace("_", " ").capitalize(), "kind": kind,
        "probe_length_m": 0.9 if use == "probe" else None, "probe_factor": 1.0 if use == "probe" else None,
        "ranges": [{"quantity": quantity, "minimum": low, "maximum": high, "resolution": resolution}],
        "certificate": None if due is None else {**CERTIFICATE, "due_on": due, "in_force": due >= DAY},
        "warnings": [], **more,
    }  # fmt: skip


def point(kind: str, **more: Any) -> dict[str, Any]:
    usual: dict[str, Any] = {
        "id": f"point-{kind}", "tag": f"{kind}-1", "kind": kind, "location": "Roof, behind the screen",
        "shape": None, "width_m": None, "height_m": None, "diameter_m": None, "design_flow_m3_s": 0.9,
        "design_entered": "900 L/s", "design_basis": "actual", "layout": None, "current_session": None,
    }  # fmt: skip
    if kind in ("plane", "duct"):
        layout = {"rule": "log_tchebycheff", "lines": 5, "points": 5, "wall_m": 0.001}
        usual |= {"shape": "rectangular", "width_m": 0.5, "height_m": 0.4, "layout": layout}
    return usual | more


def worklist() -> dict[str, Any]:
    methods = [described(kind) for kind in METHODS.values()]
    kinds = sorted({kind for method in methods for kind in method["points"]})
    system = {"id": "system", "tag": "AHU-1", "name": "Supply", "points": [point(kind) for kind in kinds]}
    job = {
        "id": "job", "number": "J-7", "site": {"elevation_m": 120.0, "name": "Library"}, "systems": [system],
        "instruments": [tool(use) for use in TOOLS], "remeasure": [],
    }  # fmt: skip
    return {"company": {"standard_density": 1.204}, "methods": methods, "jobs": [job]}


PUT = """async ([worklist, units, row, others]) => {
  const rows = new Map([...others, row].map((one) => [one.id, one])), changed = new EventTarget();
  const store = {
    changed,
    session: async (id) => structuredClone(rows.get(id)),
    sessions: async () => [...rows.values()].map((one) => structuredClone(one)),
    change: async (id, fn) => {
      const copy = structuredClone(rows.get(id)), next = fn(copy) ?? copy;
      rows.set(id, structuredClone(next));
      changed.dispatchEvent(new Event("change"));
      return next;
    },
  };
  const job = worklist.jobs[0], system = job.systems[0];
  window.rows = rows;
  window.context = {
    worklist, store, person: {id: "me", name: "Ada", units}, now: () => new Date("2026-03-02T09:00:00Z"),
    say: () => null, go: () => null,
    find: (_job, id) => ({job, system, point: system.points.find((one) => one.id === id)}),
    method: (name) => worklist.methods.find((one) => one.method === name),
    outbox: {finish: (id) => store.change(id, (one) => { one.state = "ready"; })},
  };
}"""
SHOW = """async ([id, step]) => {
  if (step) await context.store.change(id, (row) => { row.view.step = step; });
  const {view} = await import("/field/measure.js");
  document.getElementById("main").replaceChildren(await view(context, id));
}"""


def session(method: str, kind: str, **body: Any) -> dict[str, Any]:
    """A session as the tablet keeps it, just begun."""
    usual = {
        "id": "one", "job": "job", "test_point": f"point-{kind}", "method": method, "conditions": {},
        "started_at": "2026-03-02T08:30:00Z", "finished_at": "2026-03-02T08:30:00Z", "instruments": {},
        "told": {}, "zero_checks": [], "readings": [], "sweeps": [], "note": "",
    }  # fmt: skip
    return {
        "id": "one", "job": "job", "point": f"point-{kind}", "method": method, "person": "me",
        "state": "open", "view": {}, "errors": [], "server": None, "changed_at": "", "body": usual | body,
    }  # fmt: skip


def put(
    page: Page,
    row: dict[str, Any],
    *others: dict[str, Any],
    units: str = "si",
    work: dict[str, Any] | None = None,
) -> None:
    """Puts a job and one session on the page, and other sessions beside it."""
    page.evaluate(PUT, [work or worklist(), units, row, list(others)])


def show(page: Page, step: str = "") -> None:
    """The measure page with that session, at a step or where it stopped."""
    page.evaluate(SHOW, ["one", step])


def kept(page: Page) -> dict[str, Any]:
    """The session as it stands in the store."""
    found: dict[str, Any] = page.evaluate("structuredClone(rows.get('one'))")
    return found
