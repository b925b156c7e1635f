"""What this app tells others.

Payload: ``{"run"}``; a finished run adds ``"branches"``, an acceptance ``"purchase_orders"`` and ``"transfers"`` (ids),
and levels taken over ``"levels"`` (how many were set).
"""

RUN_FINISHED = "replenishment.run_finished"
RUN_ACCEPTED = "replenishment.run_accepted"
LEVELS_TAKEN_OVER = "replenishment.levels_taken_over"
