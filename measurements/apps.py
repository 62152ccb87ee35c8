"""The app of what was measured and what follows from it."""

from django.apps import AppConfig


class MeasurementsConfig(AppConfig):
    name = "measurements"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        """Makes evaluation and erasing known to every process that does due work."""
        from measurements import evaluate, photos  # noqa: F401
