"""The words of scripts: gettext, ngettext and pgettext as globals, in the reader's language."""

from django.views.decorators.cache import cache_control
from django.views.decorators.http import conditional_page, require_safe
from django.views.i18n import JavaScriptCatalog

APPS = ["jobs", "measurements", "reports"]

catalogue = require_safe(
    cache_control(private=True, max_age=3600)(conditional_page(JavaScriptCatalog.as_view(packages=APPS)))
)
