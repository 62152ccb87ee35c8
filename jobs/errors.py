"""What can go wrong in an action, in the words the caller gets. Doors translate these, nothing else."""

from collections.abc import Sequence
from dataclasses import dataclass

from django.utils.translation import gettext, gettext_noop


@dataclass(frozen=True)
class Fault:
    """One thing wrong with the input: where (JSON pointer, header or cell), what, and what to do."""

    pointer: str
    detail: str


class DomainError(Exception):
    """Base. `code` names the kind for programs, `detail` tells people what, where and what to do."""

    status = 400
    code = "bad-request"
    title = gettext_noop("The request cannot be carried out")

    def __init__(self, detail: str, faults: Sequence[Fault] = (), *, retry_after: int | None = None) -> None:
        super().__init__(detail)
        self.detail = detail
        self.faults = tuple(faults)
        self.retry_after = retry_after


class NotSignedIn(DomainError):
    status, code, title = 401, "not-signed-in", gettext_noop("Sign in or send a valid token")


class Forbidden(DomainError):
    status, code, title = 403, "forbidden", gettext_noop("Not allowed")


class SecondFactorNeeded(DomainError):
    """The password is right; a code is asked for, or a second factor has to be set up first."""

    status, code, title = 403, "second-factor-needed", gettext_noop("A second factor is needed")


class SignInAgain(DomainError):
    """For this it must have been proved in the last minutes who sits there."""

    status, code, title = 403, "sign-in-again", gettext_noop("Sign in again first")


class OverQuota(DomainError):
    """The company has used up what the operators of the service allow it of something."""

    status, code, title = 403, "over-quota", gettext_noop("The company's allowance is used up")


class NotFound(DomainError):
    """Also for what belongs to another company: both look alike."""

    status, code, title = 404, "not-found", gettext_noop("Not found")

    def __init__(self, detail: str = "") -> None:
        super().__init__(detail or gettext("There is nothing here by that id."))


class Conflict(DomainError):
    status, code, title = 409, "conflict", gettext_noop("In conflict with the present state")


class PreconditionFailed(DomainError):
    status, code, title = 412, "changed-meanwhile", gettext_noop("It changed since you looked")


class TooLarge(DomainError):
    status, code, title = 413, "too-large", gettext_noop("Too large")


class Invalid(DomainError):
    status, code, title = 422, "invalid", gettext_noop("The input is not valid")


class PreconditionRequired(DomainError):
    status, code, title = 428, "precondition-required", gettext_noop("Say which state you saw")


class TooMany(DomainError):
    status, code, title = 429, "too-many", gettext_noop("Too many requests")


class Busy(DomainError):
    status, code, title = 503, "busy", gettext_noop("Busy, try again")
