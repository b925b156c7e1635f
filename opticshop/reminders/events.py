"""What reminders tell others. Payloads hold ids and states; never a name or an address."""

RECALL_PLANNED = "reminders.recall_planned"  # {recall, customer, prescription, due_on}
RECALL_MOVED = "reminders.recall_moved"  # {recall, customer, prescription, due_on}: another day, or another reason
RECALL_REOPENED = "reminders.recall_reopened"  # {recall, customer, was}: what had closed it has gone
RECALL_CLOSED = "reminders.recall_closed"  # {recall, customer, reason, outcome}
NOTICES_MADE = "reminders.notices_made"  # {campaign, count, day}: one for each piece of work, not for each person
CAMPAIGN_DRAFTED = "reminders.campaign_drafted"  # {campaign}
CAMPAIGN_AMENDED = "reminders.campaign_amended"  # {campaign, fields}
CAMPAIGN_STARTED = "reminders.campaign_started"  # {campaign, scheduled}: how many recalls await a notice
CAMPAIGN_PAUSED = "reminders.campaign_paused"  # {campaign}
CAMPAIGN_RESUMED = "reminders.campaign_resumed"  # {campaign, scheduled}
CAMPAIGN_FINISHED = "reminders.campaign_finished"  # {campaign}
