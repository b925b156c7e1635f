"""Writes of accounts, a module per use case."""

from __future__ import annotations

from .people import (
    ClientCredentials,
    membership_grant,
    service_client_register,
    staff_client_register,
    user_register,
)

__all__ = [
    "ClientCredentials",
    "membership_grant",
    "service_client_register",
    "staff_client_register",
    "user_register",
]
