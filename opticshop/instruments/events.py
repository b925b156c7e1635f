"""What this app tells others. Payloads hold ids and facts of the instrument, nothing about people."""

ADDED = "instruments.added"  # {instrument, kind}
CHANGED = "instruments.changed"  # {instrument, fields}
PIECE_ADDED = "instruments.piece_added"  # {piece, quantity}
PIECE_CHANGED = "instruments.piece_changed"  # {piece, fields}
CHECKED = "instruments.checked"  # {check, instrument, piece, quantity, outcome}
FAILED = "instruments.failed"  # {check, instrument, piece, quantity, last_good_at}: pairs since then are in doubt
POLICY_SET = "instruments.policy_set"  # {branch, out_of_calibration}
