"""A column that must now have a value, and a foreign key with another name."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("probe", "0003_fill")]

    operations = [
        migrations.AlterField("work", "remark", models.CharField(max_length=20, default="none")),
        migrations.RenameField("visit", "tool", "main_tool"),
    ]
