"""Tables of accounts: people with their roles, and what they sign in with."""

from __future__ import annotations

from .attempts import AttemptCount
from .credentials import OperatorPin, ServiceAccount, SignIn
from .factors import Invitation, RecoveryCode, SecondFactor
from .people import SPANNING_ROLES, Membership, Role, User

__all__ = [
    "SPANNING_ROLES",
    "AttemptCount",
    "Invitation",
    "Membership",
    "OperatorPin",
    "RecoveryCode",
    "Role",
    "SecondFactor",
    "ServiceAccount",
    "SignIn",
    "User",
]
