"""What correspondence tells others. Payloads hold ids and states; never an address, never a text."""

MESSAGE_QUEUED = "correspondence.queued"  # {message, kind, about, channel}
MESSAGE_SENT = "correspondence.sent"  # {message, kind, about, channel}
MESSAGE_FAILED = "correspondence.failed"  # {message, kind, about, channel, detail}
MESSAGE_WITHDRAWN = "correspondence.withdrawn"  # {message, kind, about, channel, detail}
MESSAGE_DELIVERED = "correspondence.delivered"  # {message, kind, about, channel}
MESSAGE_UNDELIVERED = "correspondence.undelivered"  # {message, kind, about, channel, detail}
#: What became of a message of which it was not known whether it had left; ``state`` is sent or failed.
OUTCOME_LEARNT = "correspondence.outcome_learnt"  # {message, kind, about, channel, state}
#: Only for a reply that belongs to a message; ``meaning`` is stop, came_back, booked, wrong_person or unclear.
REPLY_RECEIVED = "correspondence.reply_received"  # {message, customer, about, meaning}
CHANNEL_CHOSEN = "correspondence.channel_chosen"  # {choice, way, channel, is_active}
TEMPLATE_WRITTEN = "correspondence.template_written"  # {template, kind, language, form, version}
BATCH_MADE = "correspondence.batch_made"  # {batch, channel, count}
BATCH_POSTED = "correspondence.batch_posted"  # {batch, channel, count, posted_on}
BATCH_VOID = "correspondence.batch_void"  # {batch, channel, count, reason}
