"""Due work is claimed in its order, however much of it waits."""

from django.contrib.postgres.operations import AddIndexConcurrently, RemoveIndexConcurrently
from django.db import migrations, models


class Migration(migrations.Migration):
    atomic = False
    dependencies = [
        ("jobs", "0010_stored_queries"),
    ]

    operations = [
        AddIndexConcurrently(
            model_name="duework",
            index=models.Index(
                condition=models.Q(("state", "parked"), _negated=True),
                fields=["company", "due_at"],
                name="due_open",
            ),
        ),
        RemoveIndexConcurrently(
            model_name="duework",
            name="due_state",
        ),
    ]
