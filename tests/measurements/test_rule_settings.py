"""What a company sets otherwise in rules: range, roles, who and why; evaluations due; flags seen anew."""

import uuid
from typing import Any
from uuid import UUID

import pytest
from django.db import connection, transaction
from django.db.utils import DatabaseError
from django.test.utils import CaptureQueriesContext

from jobs import due, events
from jobs.errors import Conflict, Forbidden, Invalid, NotFound
from jobs.models import Event, JobStatus
from jobs.tenancy.context import company
from measurements import calc
from measurements.evaluate import evaluate_session, out_of_date, rules_changed
from measurements.inputs import inputs_of
from measurements.loading import load
from measurements.methods import METHODS
from measurements.models import AnswerKind, Flag, Result, RuleSetting, Severity
from measurements.rule_parameters import BY_KEY, PARAMETERS, Settings, in_force
from measurements.rule_settings import rule_states, set_number, set_severity
from measurements.rules import OF_SYSTEMS, RULES, described
from tests.factories import World
from tests.measurements import batches
from tests.reports.test_doors import signed_in

pytestmark = pytest.mark.django_db
WHY = "Our contracts ask for this."


def set_it(world: World, rule: str, name: str, value: float | None, role: str = "supervisor") -> RuleSetting:
    with company(world.id):
        return set_number(world.actor(role), rule, name, value=value, why=WHY)


def hoods(world: World, apart: float) -> dict[str, Any]:
    """A hood reading whose two readings are that share of their mean apart."""
    sent = batches.hood(world, flow="90.0")
    for row, value in zip(sent["readings"], (90.0 * (1 + apart / 2), 90.0 * (1 - apart / 2)), strict=True):
        row["value"] = f"{value:.2f}"
    return sent


def open_rules(world: World) -> set[str]:
    with company(world.id):
        return set(Flag.objects.exclude(answers__kind=AnswerKind.CLEARED).values_list("rule", flat=True))


def posted(world: World, sent: dict[str, Any]) -> UUID:
    batches.post(world, sent)
    due.work(world.id)
    return UUID(sent["id"])


def test_every_number_belongs_to_a_rule_and_its_default_is_in_its_range() -> None:
    names = {one.name for one in described()}
    assert {one.rule for one in PARAMETERS} <= names
    assert all(one.low <= one.default <= one.high and one.source for one in PARAMETERS)
    assert len(BY_KEY) == len(PARAMETERS)


def test_every_limit_is_that_of_the_calculation_and_no_effect_in_a_budget() -> None:
    """The default is the calculation's own, and the limits are read where remarks are made, nowhere else."""
    shapes = [kind.inputs for kind in METHODS.values()]
    defaults: dict[str, set[float]] = {}
    for shape in shapes:
        made = shape.__dataclass_fields__.get("limits")
        if made is not None:
            limits = made.default_factory()
            for name in limits.__dataclass_fields__:
                defaults.setdefault(name, set()).add(getattr(limits, name))
    for one in PARAMETERS:
        if one.limit:
            assert one.default in defaults[one.limit], one


def test_another_limit_changes_remarks_and_no_figure(fine: World) -> None:
    session = posted(fine, batches.traverse(fine))
    with company(fine.id):
        loaded = load(session)
        given = inputs_of(loaded)["calculation"]
        kind = METHODS[loaded.session.method]
        plain = calc.from_plain(kind.inputs, given)
        strict = Settings({("runs_disagree", "spread"): 0.01, ("low_velocity", "velocity"): 6.0}).applied(
            plain
        )
        assert strict.limits != plain.limits
        one, other = kind.run(plain), kind.run(strict)
    figures = [{name: (r.value, r.u, r.U, r.dof) for name, r in m.results.items()} for m in (one, other)]
    assert figures[0] == figures[1]
    assert {r.code for r in other.remarks} > {r.code for r in one.remarks}


def test_the_usual_leaves_inputs_as_they_always_were(fine: World) -> None:
    session = posted(fine, batches.hood(fine))
    with company(fine.id):
        assert "rules" not in inputs_of(load(session))
        assert in_force() == Settings()


def test_a_number_set_is_kept_with_who_when_why_and_event_and_makes_the_rule_look_again(fine: World) -> None:
    session = posted(fine, hoods(fine, 0.04))
    assert "runs_disagree" not in open_rules(fine)
    row = set_it(fine, "runs_disagree", "spread", 0.03)
    with company(fine.id):
        assert (row.member_id, row.why, row.value) == (fine.supervisor.id, WHY, 0.03)
        event = Event.objects.get(verb="rule.changed", subject_id=row.id)
        assert event.content_digest == events.row_digest(RuleSetting.objects.get(id=row.id))
        assert out_of_date([session]) == [session]
    due.work(fine.id)
    assert "runs_disagree" in open_rules(fine)
    with company(fine.id):
        flag = Flag.objects.get(rule="runs_disagree")
        assert "3" in flag.expected
        newest = Result.objects.filter(session=session).order_by("-computed_at").first()
        assert newest.inputs["rules"] == {"runs_disagree.spread": 0.03}
        assert out_of_date([session]) == []
    set_it(fine, "runs_disagree", "spread", None)
    due.work(fine.id)
    assert "runs_disagree" not in open_rules(fine)


def test_an_accepted_flag_is_open_again_when_its_rule_is_another(fine: World) -> None:
    posted(fine, hoods(fine, 0.08))
    with company(fine.id):
        before = Flag.objects.get(rule="runs_disagree")
    set_it(fine, "runs_disagree", "spread", 0.06)
    due.work(fine.id)
    with company(fine.id):
        flags = list(Flag.objects.filter(rule="runs_disagree").order_by("raised_at", "id"))
        assert len(flags) == 2
        assert flags[0].id == before.id
        cleared = flags[0].answers.get()
        assert (cleared.kind, cleared.reason) == (
            AnswerKind.CLEARED,
            "No longer so as it was; the rule has seen it anew.",
        )
        assert flags[1].expected != before.expected
        assert not flags[1].answers.exists()


def test_sessions_of_other_methods_and_of_approved_jobs_are_left_alone(fine: World) -> None:
    hood = posted(fine, batches.hood(fine))
    traverse = posted(fine, batches.traverse(fine))
    set_it(fine, "poor_plane", "before", 5.0)
    with company(fine.id):
        assert out_of_date([hood, traverse]) == [traverse]
        fine.job.status = JobStatus.APPROVED
        fine.job.save()
        before = Result.objects.count()
    due.work(fine.id)
    with company(fine.id):
        assert Result.objects.count() == before


def test_making_evaluations_due_takes_as_many_statements_for_eight_sessions_as_for_two(fine: World) -> None:
    def statements(value: float) -> int:
        set_it(fine, "runs_disagree", "spread", value)
        with company(fine.id):
            claim = due.claim(["rules"])
            assert claim is not None
            with CaptureQueriesContext(connection) as caught:
                rules_changed(claim)
        due.work(fine.id)
        return len(caught)

    for tag in ("S-1", "S-2"):
        posted(fine, batches.hood(fine, tag))
    few = statements(0.04)
    for tag in ("S-1", "S-2", "S-3") * 2:
        posted(fine, batches.hood(fine, tag))
    assert statements(0.03) == few


def test_a_severity_is_raised_and_lowered_except_where_it_is_fixed(fine: World) -> None:
    session = posted(fine, hoods(fine, 0.08))
    with company(fine.id):
        set_severity(fine.actor("owner"), "runs_disagree", severity=Severity.REMARK, why=WHY)
    due.work(fine.id)
    with company(fine.id):
        open_ = Flag.objects.exclude(answers__kind=AnswerKind.CLEARED).get(rule="runs_disagree")
        assert open_.severity == Severity.REMARK
        for rule in ("out_of_tolerance", "out_of_calibration", "negative_readings", "reversed_flow"):
            with pytest.raises(Invalid):
                set_severity(fine.actor("owner"), rule, severity=Severity.REMARK, why=WHY)
        evaluate_session(session)
        assert Flag.objects.filter(rule="runs_disagree").count() == 2


def test_rules_of_systems_can_be_set_too() -> None:
    assert set(OF_SYSTEMS) <= {one.name for one in described()}
    assert not set(OF_SYSTEMS) & set(RULES)


@pytest.mark.parametrize("value", [0.0, -1.0, 0.2001, 1e300, float("nan"), float("inf"), float("-inf")])
def test_a_number_out_of_its_range_is_refused(fine: World, value: float) -> None:
    with pytest.raises(Invalid) as refused:
        set_it(fine, "runs_disagree", "spread", value)
    assert refused.value.faults[0].pointer == "/value"
    with company(fine.id):
        assert RuleSetting.objects.count() == 0


@pytest.mark.parametrize("why", ["", "short", " " * 30, "x" * 2001])
def test_a_reason_is_needed(fine: World, why: str) -> None:
    with company(fine.id), pytest.raises(Invalid):
        set_number(fine.actor("owner"), "runs_disagree", "spread", value=0.04, why=why)


def test_what_is_not_there_or_so_already_is_told(fine: World) -> None:
    with pytest.raises(NotFound):
        set_it(fine, "runs_disagree", "gravity", 9.8)
    with pytest.raises(NotFound):
        set_it(fine, "no_such_rule", "spread", 0.04)
    with pytest.raises(Conflict):
        set_it(fine, "runs_disagree", "spread", 0.05)


@pytest.mark.parametrize("role", ["technician", "dispatcher"])
def test_only_owner_and_supervisor_set_rules(fine: World, role: str) -> None:
    with pytest.raises(Forbidden):
        set_it(fine, "runs_disagree", "spread", 0.04, role)
    assert signed_in(fine, role).get("/api/v1/rules").status_code == 403


def test_a_setting_is_never_changed_or_removed(fine: World) -> None:
    row = set_it(fine, "runs_disagree", "spread", 0.04)
    for act in (lambda: RuleSetting.objects.filter(id=row.id).update(value=0.2), row.delete):
        with company(fine.id), pytest.raises(DatabaseError), transaction.atomic():
            act()


def test_another_company_keeps_its_own(fine: World, company_b: World) -> None:
    set_it(fine, "runs_disagree", "spread", 0.01)
    with company(company_b.id):
        assert in_force() == Settings()
        assert not any(state.changed for state in rule_states(company_b.actor("owner")))


def test_the_doors_read_and_set(fine: World) -> None:
    client = signed_in(fine, "owner")
    address = "/api/v1/rules/runs_disagree/settings"

    def send(body: dict[str, Any]) -> Any:
        key = str(uuid.uuid4())
        return client.post(address, body, content_type="application/json", headers={"Idempotency-Key": key})

    made = send({"name": "spread", "value": 0.04, "why": WHY})
    assert made.status_code == 201, made.content
    first = client.get("/api/v1/rules").json()["rules"][0]
    assert (first["rule"], first["parameters"][0]["value"], first["parameters"][0]["default"]) == (
        "runs_disagree",
        0.04,
        0.05,
    )
    assert send({"name": "spread", "value": 0.5, "why": WHY}).status_code == 422
    assert send({"name": "spread", "why": WHY}).status_code == 422
    assert send({"name": "severity", "severity": "remark", "why": WHY}).status_code == 201
    assert send({"name": "spread", "value": None, "why": WHY}).status_code == 201
    assert send({"name": "spread", "value": 0.04, "why": WHY, "who": "me"}).status_code in (400, 422)


def test_the_page_lists_and_sets_in_the_companys_units(fine: World) -> None:
    client = signed_in(fine, "supervisor")
    shown = client.get("/company/rules/flags").content.decode()
    assert "Runs disagree" in shown
    address = "/company/rules/flags/low_velocity"
    assert "m/s" in client.get(address).content.decode()
    answer = client.post(address, {"name": "velocity", "value": "2.5", "why": WHY})
    assert (answer.status_code, answer["Location"]) == (302, "/company/rules/flags")
    with company(fine.id):
        assert in_force().value(BY_KEY["low_velocity", "velocity"]) == pytest.approx(2.5)
    for value in ("", "abc", "NaN", "1e400", "900", "-3", "9" * 500):
        refused = client.post(address, {"name": "velocity", "value": value, "why": WHY})
        assert refused.status_code == 422, value
        assert WHY in refused.content.decode()
    assert client.get("/company/rules/flags/no_such_rule").status_code == 404
    assert signed_in(fine, "technician").get("/company/rules/flags").status_code == 403
