"""What this app tells others. Payloads carry ids only, nothing that was prescribed or measured."""

PRESCRIPTION_RECORDED = "prescriptions.recorded"  # {prescription, customer}
PRESCRIPTION_AMENDED = "prescriptions.amended"  # {prescription, customer, supersedes}
OVERRIDE_GRANTED = "prescriptions.override_granted"  # {override, prescription, customer}
RECALL_FACTS_CHANGED = "prescriptions.recall_facts_changed"  # {customer}
MEASUREMENT_TAKEN = "prescriptions.measured"  # {measurement, customer, frame: id or null}
