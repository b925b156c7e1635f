"""Writes of accounts, a module per use case."""

from __future__ import annotations

from .attempts import TooManyAttempts, attempt_allowed, attempt_failed, attempt_succeeded, attempted, attempts_clear
from .people import (
    ClientCredentials,
    membership_grant,
    service_client_register,
    staff_client_register,
    user_register,
)

__all__ = [
    "ClientCredentials",
    "TooManyAttempts",
    "attempt_allowed",
    "attempt_failed",
    "attempt_succeeded",
    "attempted",
    "attempts_clear",
    "membership_grant",
    "service_client_register",
    "staff_client_register",
    "user_register",
]
