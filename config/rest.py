"""The REST doors of all apps under /api/v1/, and their one OpenAPI document."""

from importlib.util import find_spec

from django.urls import include, path
from drf_spectacular.renderers import OpenApiYamlRenderer
from drf_spectacular.views import SpectacularAPIView

ROOMS = [
    name
    for name in ("jobs", "measurements", "reports")
    if find_spec(f"{name}.rest") and find_spec(f"{name}.rest.urls")
]

urlpatterns = [
    *(path("", include(f"{name}.rest.urls")) for name in ROOMS),
    path(
        "openapi.yaml",
        SpectacularAPIView.as_view(
            authentication_classes=[], renderer_classes=[OpenApiYamlRenderer], urlconf="config.urls"
        ),
        name="openapi",
    ),
]
