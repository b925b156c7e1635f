"""What this app tells others. Payloads carry ids only; ``{"customer": id}`` unless said."""

CUSTOMER_REGISTERED = "customers.registered"
CUSTOMER_CHANGED = "customers.changed"
CONTACT_CHOICE_CHANGED = "customers.contact_choice_changed"  # {customer, way, purpose, allowed}
CUSTOMER_MERGED = "customers.merged"  # {customer: the survivor, merged: id}
CUSTOMER_UNMERGED = "customers.unmerged"  # {customer: the survivor, parted: id}
