"""What quality tells others. Payloads hold ids and facts of the pair, nothing about the wearer."""

INSPECTED = "quality.inspected"  # {inspection, job, order, outcome, standard}
HANDED_OVER = "quality.handed_over"  # {handover, order, restricted}
