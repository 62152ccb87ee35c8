"""What every change is made of: who may, once only, what was seen, and problems as typed as results.

A change is a function over one action of the house. It takes an `Asked` and gives an outcome; all that REST's
doors do around theirs is done here around it.
"""

import inspect
import logging
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from functools import cached_property
from typing import Any, Self, TypeVar
from uuid import UUID

import strawberry
from django.db import transaction
from django.http import HttpRequest

from config.graphql.changes.inputs import input_of, plain, read_ref, strictly
from jobs.access import Action, Actor, require
from jobs.errors import DomainError, Fault, NotFound, NotSignedIn, PreconditionRequired
from jobs.http import changes, problem
from jobs.http.door import Strict
from jobs.http.representation import version_of

log = logging.getLogger(__name__)


class Repeats(Enum):
    """What a repeat of the same request does."""

    HARMLESS = "does no harm"
    ANSWERED = "gets the first answer, by its Idempotency-Key"
    SHOWN_ONCE = "is told that it was done; the first answer held a secret"


@strawberry.type(name="Fault", description="One thing wrong with what was given.")
class FaultFound:
    pointer: str = strawberry.field(
        description="JSON pointer into the input, in the names of REST; or `header:…`, `argument:…`."
    )
    detail: str


@strawberry.type(description="What went wrong, in words and for programs: the problem of REST (RFC 9457).")
class Problem:
    type: str
    code: str
    title: str
    status: int
    detail: str
    faults: list[FaultFound]
    retry_after: int | None = strawberry.field(description="Seconds; where trying again may help.")
    instance: str = strawberry.field(description="Names the request; the log knows it too.")

    @classmethod
    def of(cls, error: DomainError, request_id: str) -> Self:
        told = problem.body(error, request_id)
        return cls(
            type=told["type"],
            code=error.code,
            title=str(error.title),
            status=error.status,
            detail=error.detail,
            faults=[FaultFound(pointer=one.pointer, detail=one.detail) for one in error.faults],
            retry_after=error.retry_after,
            instance=told.get("instance", ""),
        )


@strawberry.interface(
    description="What became of a change: its result, or a problem. Then nothing was stored."
)
class Outcome:
    problem: Problem | None = strawberry.field(default=None, description="Null when it was done.")

    @classmethod
    def of(cls, **found: Any) -> Self:
        """The answer with what was found; rows stand for their types."""
        return cls(**found)


@strawberry.type(description="Of a change that leaves nothing to show.")
class Done(Outcome):
    done: bool | None = None


@dataclass(frozen=True)
class Change:
    """A change: its act, what its door wants, and the addresses in it by name."""

    act: Callable[["Asked"], Outcome]
    outcome: type[Outcome]
    needs: Action | None
    takes: type[Strict] | None
    part: bool
    places: tuple[str, ...]
    seen: type[int] | type[str] | None
    repeats: Repeats
    more: dict[str, Any]

    @property
    def name(self) -> str:
        return self.act.__name__


@dataclass(frozen=True)
class Asked:
    """A change that somebody asks for."""

    change: Change
    request: HttpRequest
    actor: Actor
    args: dict[str, Any]

    def at(self, name: str) -> UUID:
        """The key that an address in the arguments names. Raises NotFound for what is no id."""
        try:
            return UUID(read_ref(self.args[name]))
        except ValueError:
            raise NotFound() from None

    @cached_property
    def given(self) -> dict[str, Any]:
        """The input, checked by REST's shape of it. Raises DRF's ValidationError, BadJson or Invalid."""
        shape = self.change.takes
        if shape is None:
            raise TypeError(f"{self.change.name} takes no input")
        read = shape(data=self.sent, partial=self.change.part)
        read.is_valid(raise_exception=True)
        return dict(read.validated_data)

    @property
    def sent(self) -> Any:
        """The input as JSON."""
        shape = self.change.takes
        return strictly(plain(self.args["input"], shape(partial=self.change.part) if shape else None))

    @property
    def version(self) -> int:
        """Raises PreconditionRequired."""
        found: int = self._seen("version", "Give 'version' as you saw it, so that nobody's change is lost.")
        return found

    @property
    def seen(self) -> str:
        """What was seen, as REST's ETag names it. Raises PreconditionRequired."""
        text: str = self._seen("seen", "Give 'seen', the digest of what you saw, so that it is just that.")
        return version_of(text)

    def _seen(self, name: str, words: str) -> Any:
        if self.args.get(name) is None:
            raise PreconditionRequired(words, [Fault(f"argument:{name}", "missing")])
        return self.args[name]


CHANGES: dict[str, Change] = {}
"""By name. A room's module puts its own in here."""
A = TypeVar("A", bound=Outcome)


def change(
    needs: Action | None,
    *places: str,
    takes: type[Strict] | None = None,
    part: bool = False,
    seen: type[int] | type[str] | None = None,
    repeats: Repeats = Repeats.HARMLESS,
    **more: Any,
) -> Callable[[Callable[[Asked], A]], Callable[[Asked], A]]:
    """Makes a function a change of the schema, under its name and with its docstring.

    `places`: addresses, ids named like in REST's path; `takes`: REST's shape of the input, of a `part` each
    field may be left out; `seen`: int for a version, str for a digest; `more`: further arguments, each its
    type, or its type and what it is unless given.
    """

    def made(act: Callable[[Asked], A]) -> Callable[[Asked], A]:
        answer = inspect.signature(act).return_annotation
        CHANGES[act.__name__] = Change(act, answer, needs, takes, part, places, seen, repeats, more)
        return act

    return made


def field_of(one: Change) -> Any:
    """The root field of a change."""

    def resolve(info: strawberry.Info, **args: Any) -> Outcome:
        return carry_out(one, info.context.request, args)

    resolve.__name__ = one.name
    resolve.__signature__ = inspect.Signature(list(_parameters(one)), return_annotation=one.outcome)  # type: ignore[attr-defined]
    return strawberry.mutation(resolver=resolve, name=None, description=inspect.getdoc(one.act))


def _parameters(one: Change) -> list[inspect.Parameter]:
    def named(name: str, kind: Any, default: Any = inspect.Parameter.empty) -> inspect.Parameter:
        return inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, annotation=kind, default=default)

    found = [named("info", strawberry.Info), *(named(place, strawberry.ID) for place in one.places)]
    if one.seen is not None:
        found.append(named("version" if one.seen is int else "seen", one.seen | None, None))
    for name, kind in one.more.items():
        found.append(named(name, *kind) if isinstance(kind, tuple) else named(name, kind))
    if one.takes is not None:
        found.append(named("input", input_of(one.takes, one.part)))
    return found


def carry_out(one: Change, request: HttpRequest, args: dict[str, Any]) -> Outcome:
    """Does it and answers; whatever goes wrong is told as a problem, and nothing of it is stored."""
    try:
        actor = _let_in(one, getattr(request, "actor", None))
        if one.repeats is not Repeats.HARMLESS:
            is_secret = one.repeats is Repeats.SHOWN_ONCE
            if not changes.open_change(request, actor, is_secret=is_secret):
                return one.outcome()  # not shown: the first answer takes its place
        return one.act(Asked(one, request, actor, args))
    except Exception as exc:
        transaction.set_rollback(True)
        error = problem.translate(exc)
        if error.status >= 500:
            log.error("unexpected failure", exc_info=exc)
        return one.outcome(problem=Problem.of(error, getattr(request, "request_id", "")))


def _let_in(one: Change, actor: Actor | None) -> Actor:
    if one.needs is not None:
        return require(actor, one.needs)
    if actor is None:
        raise NotSignedIn("Sign in, or send a valid token as 'Authorization: Bearer …'.")
    return actor
