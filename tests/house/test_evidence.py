"""Every append-only table is proved by the walk of the evidence, or stands on a list with a reason."""

from django.apps import apps
from django.db.models import Model

from jobs.tenancy.constraints import AppendOnly
from reports import evidence

APPS = {"jobs", "measurements", "reports"}


def append_only() -> set[type[Model]]:
    return {
        model
        for model in apps.get_models()
        if model._meta.app_label in APPS
        and any(isinstance(one, AppendOnly) for one in model._meta.constraints)
    }


def covered() -> set[type[Model]]:
    return set(evidence.LOG).union(*({kind.model, *kind.covers} for kind in evidence.KINDS))


def test_every_append_only_table_is_covered_or_has_a_reason() -> None:
    """A new table of evidence needs a line in KINDS: an event with its digest, so that a change shows."""
    left = {model._meta.label for model in append_only() - covered()}
    assert left == set(evidence.NO_EVIDENCE)
    assert all(len(reason) > 20 for reason in evidence.NO_EVIDENCE.values())


def test_rows_under_anothers_digest_must_have_an_owner() -> None:
    assert {model for kind in evidence.KINDS for model in kind.covers} == set(evidence.OWNERS)
    for model, (column, owner) in evidence.OWNERS.items():
        assert model._meta.get_field(column).related_model is owner


def test_no_verb_stands_for_two_kinds() -> None:
    verbs = [verb for kind in evidence.KINDS for verb in kind.verbs]
    assert len(verbs) == len(set(verbs))


def test_columns_left_out_of_a_digest_have_a_digest_beside_them() -> None:
    for model in append_only():
        for column, beside in getattr(model, "DIGESTED", {}).items():
            names = {field.name for field in model._meta.concrete_fields}
            assert {column, beside} <= names
            assert model._meta.label == "measurements.Session", "say how the other digest is recomputed"
