"""Approved results give the same figures again, or every difference is named."""

from dataclasses import replace
from io import StringIO
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from jobs.tenancy.context import company
from measurements.calc import air
from measurements.models import Result
from reports import recomputed
from tests.database import owner_connection
from tests.factories import World, make_world
from tests.reports import scene


def run(*arguments: str) -> str:
    out = StringIO()
    call_command("recompute", *arguments, stdout=out)
    return out.getvalue()


def approved(world: World) -> None:
    scene.measured(world)
    scene.approved(world)


def test_approved_results_give_the_same_figures(company_a: World) -> None:
    approved(company_a)
    assert "5 approved results: 0 differ, 0 could not be computed" in run("--company", str(company_a.id))


def test_only_approved_results_count(company_a: World) -> None:
    scene.measured(company_a)
    assert "0 approved results" in run()
    scene.approved(company_a)
    assert "5 approved results" in run()
    assert "0 approved results" in run("--since", "2199-01-01")


def test_a_later_result_is_not_the_approved_one(company_a: World) -> None:
    approved(company_a)
    with company(company_a.id):
        before = set(recomputed.approved_results().values_list("id", flat=True))
        one = Result.objects.first()
        assert one is not None
        one.pk, one.computed_at, one.inputs_digest = None, one.computed_at.replace(year=2199), "1" * 64
        Result.objects.bulk_create([Result(**{f.attname: getattr(one, f.attname) for f in one._meta.fields
                                              if f.name != "id"})])  # fmt: skip
        assert set(recomputed.approved_results().values_list("id", flat=True)) == before


def test_a_changed_constant_names_the_figures_and_both_values(
    company_a: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The nightly check is red when the arithmetic changed without a new version."""
    approved(company_a)
    for model in ("_WARM", "_CIPM"):
        found = getattr(air, model)
        monkeypatch.setattr(air, model, replace(found, relative_u=found.relative_u * 30))
    out = StringIO()
    with pytest.raises(CommandError) as failed:
        call_command("recompute", stdout=out)
    assert failed.value.returncode == 1
    assert "flow_u is stored as 0." in out.getvalue()
    assert "computed as 0." in out.getvalue()
    assert "detail.results.flow.u is stored" in out.getvalue()


@pytest.mark.django_db(transaction=True)
def test_another_version_is_refused_and_said() -> None:
    world = make_world()
    approved(world)
    with company(world.id):
        one = Result.objects.order_by("id").first()
    assert one is not None
    with owner_connection() as owner:
        owner.execute("SET session_replication_role = replica")
        owner.execute(f"SET app.company = '{world.id}'")
        owner.execute("UPDATE measurements_result SET calculation_version = '0' WHERE id = %s", [one.id])
    out = StringIO()
    with pytest.raises(CommandError) as failed:
        call_command("recompute", stdout=out)
    assert failed.value.returncode == 2
    assert (
        f"result {one.id} of session {one.session_id}: calculation version '0' is not known" in out.getvalue()
    )


@pytest.mark.django_db(transaction=True)
def test_a_changed_figure_is_named_with_both_values() -> None:
    world = make_world()
    approved(world)
    with company(world.id):
        one: Any = Result.objects.filter(flow__isnull=False).order_by("id").first()
    with owner_connection() as owner:
        owner.execute("SET session_replication_role = replica")
        owner.execute(f"SET app.company = '{world.id}'")
        owner.execute("UPDATE measurements_result SET flow = flow * 2 WHERE id = %s", [one.id])
    out = StringIO()
    with pytest.raises(CommandError):
        call_command("recompute", stdout=out)
    told = f"flow is stored as {one.flow * 2!r}, computed as {one.flow!r}"
    assert out.getvalue().splitlines()[0] == f"result {one.id} of session {one.session_id}: {told}"


def test_a_large_float_that_the_database_gives_back_as_a_whole_number_is_the_same() -> None:
    large = 3.111333678206569e18
    assert list(recomputed._unlike("dof", 3111333678206569000, large)) == []
    assert list(recomputed._unlike("dof", 3111333679206570000, large))
    assert list(recomputed._unlike("dof", "3111333678206569000", large))


def test_what_another_processor_rounds_otherwise_is_the_same() -> None:
    """Sums by vectors differ in their last digits; seen between two processors of one make."""
    assert list(recomputed._unlike("U", 0.009741277740594367, 0.009741277740594365)) == []
    assert list(recomputed._unlike("U", 0.0097412777, 0.0097412778))


@pytest.mark.parametrize("given", ["yesterday", "2026-13-01", "2026-01-01T00:00:00"])
def test_a_senseless_moment_is_refused(company_a: World, given: str) -> None:
    with pytest.raises(CommandError):
        run("--since", given)
