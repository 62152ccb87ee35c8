import os

from django.db import migrations


class Migration(migrations.Migration):
    """Sends the statement in SEEDED, after all migrations of the first release."""

    dependencies = [("jobs", "0001_initial"), ("measurements", "0001_initial"), ("reports", "0001_initial")]
    operations = [migrations.RunSQL(os.environ.get("SEEDED", "SELECT 1"))]
