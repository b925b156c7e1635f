"""What this app tells others. Payloads carry ids only: ``{"customer": id}``."""

CUSTOMER_REGISTERED = "customers.registered"
CUSTOMER_CHANGED = "customers.changed"
