"""A TenantForeignKey in GraphQL types."""

import strawberry_django
from strawberry import auto

from jobs.tenancy import strawberry
from tests.tenancy.probe.models import Visit, Work


def test_inputs_and_types_know_the_field() -> None:
    strawberry.register()

    @strawberry_django.type(Work)
    class WorkType:
        number: auto

    @strawberry_django.type(Visit)
    class VisitType:
        note: auto
        work: WorkType

    @strawberry_django.input(Visit)
    class VisitInput:
        work: auto

    definition = VisitInput.__strawberry_definition__  # type: ignore[attr-defined]
    (field,) = definition.fields
    assert (field.name, field.type) == ("work", strawberry_django.OneToManyInput)
    assert VisitType.__strawberry_definition__.fields[1].type is WorkType  # type: ignore[attr-defined]
