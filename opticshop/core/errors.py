"""Domain errors. A class is one kind of problem with a stable code, mapped to RFC 9457 problem+json in one handler.

A subclass sets ``code`` (dotted, stable), ``title`` (short, the same for each occurrence) and ``status``. An occurrence
adds ``detail``, the offending ``field`` and, where it can be said, what would be ``allowed``.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, ClassVar


class DomainError(Exception):
    code: ClassVar[str] = "core.error"
    title: ClassVar[str] = "The request could not be carried out"
    status: ClassVar[int] = 400

    def __init__(
        self,
        detail: str = "",
        *,
        field: str | None = None,
        allowed: Any = None,
        headers: Mapping[str, str] | None = None,
        **extra: Any,
    ) -> None:
        super().__init__(detail or self.title)
        self.detail = detail or self.title
        self.field = field
        self.allowed = allowed
        self.headers = dict(headers or {})
        self.extra = extra


class Invalid(DomainError):
    """A value that cannot be accepted. Subclasses name the rule."""

    code = "core.invalid"
    title = "A value is not acceptable"
    status = 422


class Forbidden(DomainError):
    code = "core.forbidden"
    title = "Your role does not allow this"
    status = 403


class ConfirmFirst(DomainError):
    """You took over by PIN: this needs your password too, and the code of your second factor if you have one. Post them
    to ``/api/v1/me/confirm/`` and send the request again (RFC 9470, step-up authentication).
    """

    code = "core.confirm_first"
    title = "Confirm with your password first"
    status = 401

    def __init__(self, permission: str) -> None:
        challenge = (
            'Bearer realm="api", error="insufficient_user_authentication", '
            'error_description="Confirm with your password first", max_age="300"'
        )
        super().__init__(
            f"{permission} needs your password once more: post it to /api/v1/me/confirm/, then send this again.",
            headers={"WWW-Authenticate": challenge},
            permission=str(permission),
            confirm_at="/api/v1/me/confirm/",
            max_age=300,
        )


class NotFound(DomainError):
    """Not there, or not yours: the two are not told apart."""

    code = "core.not_found"
    title = "There is no such thing here"
    status = 404


class Conflict(DomainError):
    code = "core.conflict"
    title = "The present state does not allow this"
    status = 409


class MoveNotAllowed(Conflict):
    """A state machine was asked for a move that its table does not contain."""

    code = "core.move_not_allowed"
    title = "This move is not allowed from the present state"


class VersionMismatch(DomainError):
    code = "core.version_mismatch"
    title = "Somebody else changed this in the meantime"
    status = 412


class PreconditionRequired(DomainError):
    code = "core.precondition_required"
    title = "This change needs an If-Match header"
    status = 428


class IdempotencyKeyMissing(DomainError):
    code = "core.idempotency_key_missing"
    title = "This request needs an Idempotency-Key header"
    status = 400


class IdempotencyKeyNotTaken(DomainError):
    """The answer tells a secret once, or the body is a file whose bytes differ each time: nothing is kept to repeat."""

    code = "core.idempotency_key_not_taken"
    title = "This request takes no Idempotency-Key"
    status = 400


class IdempotencyKeyReused(DomainError):
    code = "core.idempotency_key_reused"
    title = "This Idempotency-Key was used for a different request"
    status = 422


class IdempotencyInProgress(DomainError):
    code = "core.idempotency_in_progress"
    title = "The first request with this Idempotency-Key is still running"
    status = 409


class Busy(DomainError):
    code = "core.busy"
    title = "The rows needed are held by somebody else; try again"
    status = 503


class DatabaseAway(DomainError):
    """The database does not answer, or broke off while it was asked. What was begun is undone; whether the very last
    step was written is not known. Send the same request again with the same Idempotency-Key.
    """

    code = "core.database_away"
    title = "The database does not answer; try again in a moment"
    status = 503


class TookTooLong(DomainError):
    """One statement of the database took longer than any may; what was begun is undone. Ask for less at once."""

    code = "core.took_too_long"
    title = "This took too long; ask for less at once, or try again in a moment"
    status = 503


def all_errors() -> Iterator[type[DomainError]]:
    """Every declared kind of problem, for the documentation page and the contract test."""
    pending: list[type[DomainError]] = [DomainError]
    while pending:
        kind = pending.pop()
        yield kind
        pending.extend(kind.__subclasses__())
