from django.apps import AppConfig


class MeasurementsConfig(AppConfig):
    name = "measurements"
    default_auto_field = "django.db.models.BigAutoField"
