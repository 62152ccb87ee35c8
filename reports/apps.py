"""The app of reviews, reports and checks."""

from django.apps import AppConfig


class ReportsConfig(AppConfig):
    """Registers what makes a report's file."""

    name = "reports"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        """Every process that rings for work or does it must know the kinds."""
        from reports import issue, webhook_queue  # noqa: F401
