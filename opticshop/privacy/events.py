"""What this app tells others. Payloads carry ids and words of our own only: ``{"request": id, "kind": ...}``."""

REQUEST_RECEIVED = "privacy.request_received"
REQUEST_EXTENDED = "privacy.request_extended"
REQUEST_CLOSED = "privacy.request_closed"  # {request, kind, state}
RECORD_RESTRICTED = "privacy.record_restricted"  # {customer}
RESTRICTION_LIFTED = "privacy.restriction_lifted"  # {customer}
PERSON_ERASED = "privacy.person_erased"  # {customer, because: request or retention}
