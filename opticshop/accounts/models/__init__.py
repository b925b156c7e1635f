"""Tables of accounts: people with their roles, and what they sign in with."""

from __future__ import annotations

from .attempts import AttemptCount
from .people import SPANNING_ROLES, Membership, Role, User

__all__ = ["SPANNING_ROLES", "AttemptCount", "Membership", "Role", "User"]
