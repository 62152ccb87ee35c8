"""Templates whose figures and dates are the same in every language: digits are evidence, words are not."""

from typing import Any

from django.http import HttpRequest
from django.template.backends.django import DjangoTemplates, Template
from django.template.context import make_context
from django.utils.safestring import SafeString


class PlainFigures(DjangoTemplates):
    """Django's templates, in which a number is shown as Python writes it, whatever language is active.

    Filters that format by themselves are told by hand: `floatformat:"1u"`, `date:"Y-m-d"`.
    """

    def from_string(self, template_code: str) -> "PlainTemplate":
        return PlainTemplate(super().from_string(template_code).template, self)

    def get_template(self, template_name: str) -> "PlainTemplate":
        return PlainTemplate(super().get_template(template_name).template, self)


class PlainTemplate(Template):
    """A template that is rendered without the number formats of the language."""

    def render(self, context: dict[str, Any] | None = None, request: HttpRequest | None = None) -> SafeString:
        """As Django's, except for `use_l10n`. Errors: those of the template."""
        made = make_context(context, request, autoescape=self.backend.engine.autoescape)
        made.use_l10n = False
        return self.template.render(made)
