"""Writes of accounts, a module per use case."""

from __future__ import annotations

from .attempts import (
    TooManyAttempts,
    attempt_allowed,
    attempt_failed,
    attempt_succeeded,
    attempted,
    attempts_clear,
    attempts_forget,
)
from .clients import (
    ClientCredentials,
    Told,
    service_account_create,
    service_account_revoke,
    service_account_rotate,
    service_client_register,
    staff_client_register,
)
from .invitations import InvitationOver, Invited, NotActive, invitation_accept, invitation_make, invitation_open
from .lifting import attempts_lift
from .operators import SignInFullyFirst, confirm, operator_change, pin_remove, pin_set
from .passwords import OldPasswordWrong, PasswordRefused, password_change, password_confirm
from .people import (
    AlreadySo,
    UsernameReserved,
    UsernameTaken,
    person_amend,
    person_deactivate,
    person_reactivate,
    person_register,
    user_register,
)
from .proving import Proof
from .roles import LastHeadOffice, RoleNeedsBranch, membership_grant, membership_revoke
from .second_factor import (
    CodeWrong,
    NoEnrolment,
    enrolment_begin,
    enrolment_confirm,
    enrolment_of,
    key_picture,
    key_text,
    recovery_codes_make,
    second_factor_check,
    second_factor_reset,
)
from .sessions import credentials_end, forget_ended, sign_in_end, sign_ins_end

__all__ = [
    "AlreadySo",
    "ClientCredentials",
    "CodeWrong",
    "InvitationOver",
    "Invited",
    "LastHeadOffice",
    "NoEnrolment",
    "NotActive",
    "OldPasswordWrong",
    "PasswordRefused",
    "Proof",
    "RoleNeedsBranch",
    "SignInFullyFirst",
    "Told",
    "TooManyAttempts",
    "UsernameReserved",
    "UsernameTaken",
    "attempt_allowed",
    "attempt_failed",
    "attempt_succeeded",
    "attempted",
    "attempts_clear",
    "attempts_forget",
    "attempts_lift",
    "confirm",
    "credentials_end",
    "enrolment_begin",
    "enrolment_confirm",
    "enrolment_of",
    "forget_ended",
    "invitation_accept",
    "invitation_make",
    "invitation_open",
    "key_picture",
    "key_text",
    "membership_grant",
    "membership_revoke",
    "operator_change",
    "password_change",
    "password_confirm",
    "person_amend",
    "person_deactivate",
    "person_reactivate",
    "person_register",
    "pin_remove",
    "pin_set",
    "recovery_codes_make",
    "second_factor_check",
    "second_factor_reset",
    "service_account_create",
    "service_account_revoke",
    "service_account_rotate",
    "service_client_register",
    "sign_in_end",
    "sign_ins_end",
    "staff_client_register",
    "user_register",
]
