"""Rows of all companies are changed."""

from django.db import migrations
from django.db.models import F

from jobs.tenancy.migrations import RunPythonUnforced


def fill(apps, schema_editor):
    apps.get_model("probe", "Work").objects.filter(number=1).update(remark="filled")
    for value in apps.get_model("probe", "Value").objects.select_related("visit"):
        value.visit.tool_id = value.tool_id
        value.visit.save(update_fields=["tool"])


def empty(apps, schema_editor):
    apps.get_model("probe", "Work").objects.update(remark=None)
    apps.get_model("probe", "Visit").objects.update(tool=None, note=F("note"))


class Migration(migrations.Migration):
    dependencies = [("probe", "0002_columns")]

    operations = [RunPythonUnforced(["probe_work", "probe_visit", "probe_value"], fill, empty)]
