"""What this backend can do, where it differs from the stock one."""

from typing import Any

from django.db.backends.postgresql import features

from ..detect import is_tenant


class DatabaseFeatures(features.DatabaseFeatures):
    """Features under composite keys and immediate constraints."""

    # Foreign keys are checked at once, so a cascade must first empty nullable keys among its rows.
    can_defer_constraint_checks = False

    def allows_group_by_selected_pks_on_model(self, model: Any) -> bool:
        """Group by every selected column of a tenant table: `id` alone is not its key."""
        return not is_tenant(model) and bool(super().allows_group_by_selected_pks_on_model(model))
