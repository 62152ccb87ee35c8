"""Makes strawberry-django treat a TenantForeignKey as the foreign key it is."""

from django.db import models
from strawberry_django.fields import types

from .fields import TenantForeignKey


def register() -> None:
    """Enter the field in the four type maps, which look fields up by their exact class."""
    maps = (
        types.field_type_map,
        types.input_field_type_map,
        types.relay_field_type_map,
        types.relay_input_field_type_map,
    )
    for known in maps:
        if models.ForeignKey in known:
            known[TenantForeignKey] = known[models.ForeignKey]
