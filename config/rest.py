"""The REST doors of all apps under /api/v1/, and their one OpenAPI document."""

from django.urls import include, path
from drf_spectacular.renderers import OpenApiYamlRenderer
from drf_spectacular.views import SpectacularAPIView

urlpatterns = [
    path("", include("jobs.rest.urls")),
    path("", include("measurements.rest.urls")),
    path("", include("reports.rest.urls")),
    path(
        "openapi.yaml",
        SpectacularAPIView.as_view(
            authentication_classes=[], renderer_classes=[OpenApiYamlRenderer], urlconf="config.urls"
        ),
        name="openapi",
    ),
]
