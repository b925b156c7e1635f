"""What quality tells others. Payloads hold ids and facts of the pair, nothing about the wearer."""

INSPECTED = "quality.inspected"  # {inspection, job, order, outcome, standard}
HANDED_OVER = "quality.handed_over"  # {handover, order, restricted}
CONFIRMED = "quality.confirmed"  # {inspection, job, order, agrees}: the second person's word
INSPECTION_OPENED = "quality.inspection_opened"  # {draft, job}
READING_SAVED = "quality.reading_saved"  # {draft, job, reading, subject}
READING_STRUCK = "quality.reading_struck"  # {draft, job, reading, reason}
LOOKS_SAVED = "quality.looks_saved"  # {draft, job, checks}
INSPECTION_GIVEN_UP = "quality.inspection_given_up"  # {draft, job, reason}
PHOTOGRAPH_ATTACHED = "quality.photograph_attached"  # {photograph, job}
SUPERVISED = "quality.supervised"  # {supervision, order, stage, restricted}
PAIR_RETURNED = "quality.pair_returned"  # {return, order, cause, eye}
RETURN_DECIDED = "quality.return_decided"  # {return, order, decision, borne_by, job, refund}
