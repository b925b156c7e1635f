"""What this app tells others. Payloads carry ids only, never a secret; ``{"person": id}`` unless said."""

PERSON_REGISTERED = "accounts.person_registered"
PERSON_AMENDED = "accounts.person_amended"  # {person, fields}
PERSON_DEACTIVATED = "accounts.person_deactivated"  # {person, reason}
PERSON_REACTIVATED = "accounts.person_reactivated"  # {person, reason}
ROLE_GRANTED = "accounts.role_granted"  # {person, role, branch: id, or null for every branch}
ROLE_REVOKED = "accounts.role_revoked"  # {person, role, branch}
INVITATION_MADE = "accounts.invitation_made"  # {person, purpose: welcome or reset}
PASSWORD_SET = "accounts.password_set"  # {person, by: invitation or change}
SECOND_FACTOR_CONFIRMED = "accounts.second_factor_confirmed"
SECOND_FACTOR_RESET = "accounts.second_factor_reset"
RECOVERY_CODES_MADE = "accounts.recovery_codes_made"
RECOVERY_CODE_USED = "accounts.recovery_code_used"  # {person, left: how many codes are left}
ATTEMPTS_LIFTED = "accounts.attempts_lifted"
SIGN_IN_ENDED = "accounts.sign_in_ended"  # {user, sign_in, way}; by whom is its actor
SERVICE_ACCOUNT_CREATED = "accounts.service_account_created"  # {service_account, expires_on}
SERVICE_ACCOUNT_ROTATED = "accounts.service_account_rotated"  # {service_account, overlap_hours}
SERVICE_ACCOUNT_REVOKED = "accounts.service_account_revoked"  # {service_account}
PIN_SET = "accounts.pin_set"
PIN_REMOVED = "accounts.pin_removed"
OPERATOR_CHANGED = "accounts.operator_changed"  # {user: who took over, till: the service account, sign_in}
OPERATOR_CONFIRMED = "accounts.operator_confirmed"  # {user, sign_in}
