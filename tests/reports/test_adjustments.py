"""What was done to dampers and valves: told with a reading, printed with the system."""

from typing import Any

import msgspec

from jobs.tenancy.context import company
from reports import document, workbook
from tests.factories import World
from tests.measurements import batches
from tests.render import sample
from tests.reports import scene
from tests.reports.test_before import content, send
from tests.reports.test_workbook import opened


def told(setting: str, **more: Any) -> dict[str, Any]:
    return {"adjustment": {"setting": setting, **more}}


def test_first_and_final_setting_and_what_was_done_stand_in_the_report(company_a: World) -> None:
    with company(company_a.id):
        scene.fine_tools(company_a)
    first = batches.hood(company_a, "S-1", "120.0", **told("open"))
    scene.post(company_a, first, batches.hood(company_a, "S-2", "90.0", **told("3 of 8")))
    last = batches.hood(
        company_a, "S-1", "90.2",
        supersedes={"session": first["id"], "reason": "Measured again after it was set."},
        **told("5 of 8", marked=True, done="Closed by three notches."),
    )  # fmt: skip
    scene.post(company_a, last)
    scene.evaluated(company_a)
    system = content(company_a, send(company_a, "interim")).systems[0]
    rows = {one.tag: (one.before, one.setting, one.marked, one.done) for one in system.adjustments}
    assert rows == {
        "S-1": ("open", "5 of 8", True, "Closed by three notches."),
        "S-2": ("", "3 of 8", False, ""),
    }
    assert {row.tag: row.damper for row in system.outlets} == {"S-1": "5 of 8", "S-2": "3 of 8"}


def test_a_setting_is_evidence_and_checked(company_a: World) -> None:
    one = batches.hood(company_a, "S-1", "90.0", **told("5 of 8"))
    scene.post(company_a, one)
    other = {**one, **told("6 of 8")}
    assert [found.outcome for found in batches.post(company_a, other)] == ["known_with_other_content"]
    for wrong in ({"setting": ""}, {"setting": "x" * 61}, {"marked": True}, {"setting": "1", "more": 1}):
        refused = batches.post(company_a, batches.hood(company_a, "S-1", "90.0", adjustment=wrong))
        assert [found.outcome for found in refused] == ["refused"]


def test_settings_stand_in_the_spreadsheet() -> None:
    whole = sample.sample()
    who = document.Person(name="N. Body")
    row = document.Adjustment(tag="S-1", before="open", setting="=5", marked=True, done="Closed.", by=who)
    changed = msgspec.structs.replace(
        whole, systems=(msgspec.structs.replace(whole.systems[0], adjustments=(row,)),)
    )
    page = opened(workbook.write(changed, None, b""))["Adjustments"]
    assert [cell.value for cell in page[2]][1:6] == ["S-1", "open", "Closed.", "=5", "yes"]
