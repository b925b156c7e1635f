"""What this app tells others. Payloads carry ids only."""

PRESCRIPTION_TAKEN_IN = "exchange.prescription_taken_in"  # {prescription, customer}
