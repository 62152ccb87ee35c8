"""Each system check against a model that breaks its rule."""

from collections.abc import Callable
from typing import Any

import pytest
from django.apps import apps
from django.contrib.postgres.constraints import ExclusionConstraint
from django.db import models
from django.db.models.functions import Lower
from django.test.utils import isolate_apps

from jobs.models import Company, User
from jobs.tenancy import audit
from jobs.tenancy.checks import MODEL_RULES, check_tenancy
from jobs.tenancy.constraints import AppendOnly
from jobs.tenancy.detect import is_tenant
from jobs.tenancy.fields import TenantForeignKey
from jobs.tenancy.models import TenantModel
from tests.tenancy.probe.models import Tool


def found(model: type[models.Model]) -> set[str]:
    return {error.id.removeprefix("tenancy.") for rule in MODEL_RULES for error in rule(model)}


def keyed(name: str, kind: type[Any]) -> type[models.Model]:
    """A model of a company whose primary key is a field of that name and kind."""
    fields = {
        "company": models.ForeignKey(Company, models.PROTECT, related_name="+"),
        name: kind(primary_key=True),
    }
    meta = type("Meta", (), {"app_label": "probe"})
    return type("Case", (models.Model,), {"__module__": __name__, "Meta": meta, **fields})


def key() -> type[models.Model]:
    return keyed("number", models.IntegerField)


def key_of_another_kind() -> type[models.Model]:
    return keyed("id", models.BigAutoField)


def key_of_another_name() -> type[models.Model]:
    return keyed("code", models.UUIDField)


def one_to_one() -> type[models.Model]:
    class Case(TenantModel):
        tool = models.OneToOneField(Tool, models.CASCADE, related_name="+")

        class Meta(TenantModel.Meta):
            app_label = "probe"

    return Case


def unique() -> type[models.Model]:
    class Case(TenantModel):
        code = models.SlugField(unique=True)

        class Meta(TenantModel.Meta):
            app_label = "probe"

    return Case


def many_to_many() -> type[models.Model]:
    class Case(TenantModel):
        tools = models.ManyToManyField(Tool, related_name="+")

        class Meta(TenantModel.Meta):
            app_label = "probe"

    return Case


def unique_without_company() -> type[models.Model]:
    class Case(TenantModel):
        code = models.SlugField()

        class Meta(TenantModel.Meta):
            app_label = "probe"
            constraints = [models.UniqueConstraint(fields=["code", "company"], name="c")]

    return Case


def unique_expression_without_company() -> type[models.Model]:
    class Case(TenantModel):
        code = models.SlugField()

        class Meta(TenantModel.Meta):
            app_label = "probe"
            constraints = [models.UniqueConstraint(Lower("code"), "company", name="c")]

    return Case


def exclusion_without_company() -> type[models.Model]:
    class Case(TenantModel):
        code = models.SlugField()

        class Meta(TenantModel.Meta):
            app_label = "probe"
            constraints = [ExclusionConstraint(expressions=[("code", "="), ("company", "=")], name="c")]

    return Case


def exclusion_of_other_companies() -> type[models.Model]:
    class Case(TenantModel):
        code = models.SlugField()

        class Meta(TenantModel.Meta):
            app_label = "probe"
            constraints = [ExclusionConstraint(expressions=[("company", "<>"), ("code", "=")], name="c")]

    return Case


def unique_together() -> type[models.Model]:
    class Case(TenantModel):
        code = models.SlugField()

        class Meta(TenantModel.Meta):
            app_label = "probe"
            unique_together = [("code", "company")]

    return Case


def plain_link() -> type[models.Model]:
    class Case(TenantModel):
        tool = models.ForeignKey(Tool, models.CASCADE, related_name="+")

        class Meta(TenantModel.Meta):
            app_label = "probe"

    return Case


def second_company() -> type[models.Model]:
    class Case(TenantModel):
        partner = models.ForeignKey(Company, models.CASCADE, related_name="+")

        class Meta(TenantModel.Meta):
            app_label = "probe"

    return Case


def shared_link() -> type[models.Model]:
    class Case(TenantModel):
        user = models.ForeignKey(User, models.CASCADE, related_name="+")

        class Meta(TenantModel.Meta):
            app_label = "probe"

    return Case


def long_name() -> type[models.Model]:
    class Case(TenantModel):
        class Meta(TenantModel.Meta):
            app_label = "probe"
            constraints = [models.CheckConstraint(condition=models.Q(id__isnull=False), name="c" * 56)]

    return Case


def plain_manager() -> type[models.Model]:
    class Case(TenantModel):
        objects = models.Manager()

        class Meta(TenantModel.Meta):
            app_label = "probe"

    return Case


def append_only_cascade() -> type[models.Model]:
    class Case(TenantModel):
        tool = TenantForeignKey(Tool, models.SET_NULL, null=True, related_name="+")

        class Meta(TenantModel.Meta):
            app_label = "probe"
            constraints = [AppendOnly(name="c")]

    return Case


def sound() -> type[models.Model]:
    class Case(TenantModel):
        tool = TenantForeignKey(Tool, models.PROTECT, related_name="+")
        code = models.SlugField()
        user = models.ForeignKey(User, models.DO_NOTHING, db_constraint=False, related_name="+")

        class Meta(TenantModel.Meta):
            app_label = "probe"
            constraints = [
                AppendOnly(name="c"),
                models.UniqueConstraint(fields=["company", "code"], name="d"),
                models.UniqueConstraint("company", Lower("code"), name="e"),
            ]

    return Case


BROKEN = [
    (key, {"E002", "E011"}),
    (key_of_another_kind, {"E002", "E011"}),
    (key_of_another_name, {"E002", "E011"}),
    (one_to_one, {"E003", "E007"}),
    (unique, {"E004"}),
    (many_to_many, {"E005"}),
    (unique_without_company, {"E006"}),
    (unique_expression_without_company, {"E006"}),
    (exclusion_without_company, {"E006"}),
    (exclusion_of_other_companies, {"E006"}),
    (unique_together, {"E006"}),
    (plain_link, {"E007"}),
    (second_company, {"E008"}),
    (shared_link, {"E009"}),
    (long_name, {"E010"}),
    (plain_manager, {"E011"}),
    (append_only_cascade, {"E012"}),
    (sound, set()),
]


@pytest.mark.parametrize(("make", "expected"), BROKEN, ids=lambda value: getattr(value, "__name__", None))
def test_each_rule(make: Callable[[], type[models.Model]], expected: set[str]) -> None:
    with isolate_apps("jobs", "tests.tenancy.probe", "django.contrib.contenttypes"):
        assert found(make()) == expected


def test_a_model_on_no_list(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(audit, "GLOBAL_MODELS", audit.GLOBAL_MODELS - {"jobs.user"})
    errors = check_tenancy([apps.get_app_config("jobs")])
    assert [(error.id, error.obj._meta.label) for error in errors] == [("tenancy.E001", "jobs.User")]
    assert check_tenancy([apps.get_app_config("sessions")]) == []


def test_the_service_breaks_no_rule() -> None:
    assert check_tenancy(None) == []


def test_append_only_constraints_are_told_apart_by_their_names() -> None:
    first, again, later = AppendOnly(name="a"), AppendOnly(name="a"), AppendOnly(name="b")
    assert first == again
    assert hash(first) == hash(again)
    assert first != later
    assert later != first
    assert first != "a"


@isolate_apps("tests.tenancy.probe")
def test_a_field_of_that_name_alone_makes_no_tenant_table() -> None:
    class Named(models.Model):
        company = models.CharField(max_length=9)

        class Meta:
            app_label = "probe"

    class Linked(models.Model):
        company = models.ForeignKey(User, models.PROTECT, related_name="+")

        class Meta:
            app_label = "probe"

    assert not is_tenant(Named)
    assert not is_tenant(Linked)
    assert is_tenant(Tool)
