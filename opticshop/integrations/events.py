"""What this app tells others. Payloads never hold an address, a secret or what a receiver answered."""

ENDPOINT_ADDED = "integrations.endpoint_added"  # {endpoint}
ENDPOINT_CHANGED = "integrations.endpoint_changed"  # {endpoint, fields}
ENDPOINT_STATE_CHANGED = "integrations.endpoint_state_changed"  # {endpoint, state}
ENDPOINT_TESTED = "integrations.endpoint_tested"  # {endpoint, status: of HTTP or null}
SECRET_ROTATED = "integrations.secret_rotated"  # {endpoint}
DELIVERIES_REPLAYED = "integrations.deliveries_replayed"  # {endpoint, after, deliveries: how many}
DELIVERY_RESENT = "integrations.delivery_resent"  # {endpoint, delivery}
DELIVERY_DIED = "integrations.delivery_died"  # {endpoint, delivery}
