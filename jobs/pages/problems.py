"""What each kind of problem of the API means and what to do; the address that stands in `type`."""

from django.http import HttpRequest, HttpResponse
from django.utils.translation import gettext
from django.views.decorators.http import require_safe

from jobs.errors import DomainError, NotFound
from jobs.pages.base import show
from jobs.pages.failures import answer
from jobs.pages.problem_words import WORDS


def known_problems() -> dict[str, type[DomainError]]:
    """Every kind of problem by its code, in the order of status."""
    found: dict[str, type[DomainError]] = {}
    todo: list[type[DomainError]] = [DomainError]
    while todo:
        kind = todo.pop()
        found.setdefault(kind.code, kind)
        todo += kind.__subclasses__()
    return dict(sorted(found.items(), key=lambda item: (item[1].status, item[0])))


def _shown(kind: type[DomainError]) -> dict[str, str | int]:
    """Values only: a template would call a class."""
    meaning, remedy = WORDS.get(kind.code, ("", ""))
    return {
        "status": kind.status,
        "title": gettext(kind.title),
        "code": kind.code,
        "meaning": gettext(meaning) if meaning else "",
        "remedy": gettext(remedy) if remedy else "",
    }


@require_safe
def problem(request: HttpRequest, code: str) -> HttpResponse:
    kind = known_problems().get(code)
    if kind is None:
        return answer(request, NotFound(gettext("There is no such kind of problem.")))
    return show(request, "jobs/problem.html", _shown(kind))


@require_safe
def problems(request: HttpRequest) -> HttpResponse:
    context = {"kinds": [_shown(kind) for kind in known_problems().values()]}
    return show(request, "jobs/problems.html", context)
