"""What correspondence tells others. Payloads hold ids and states; never an address, never a text."""

MESSAGE_QUEUED = "correspondence.queued"  # {message, kind, about, channel}
MESSAGE_SENT = "correspondence.sent"  # {message, kind, about, channel}
MESSAGE_FAILED = "correspondence.failed"  # {message, kind, about, channel, detail}
MESSAGE_WITHDRAWN = "correspondence.withdrawn"  # {message, kind, about, channel, detail}
MESSAGE_DELIVERED = "correspondence.delivered"  # {message, kind, about, channel}
MESSAGE_UNDELIVERED = "correspondence.undelivered"  # {message, kind, about, channel, detail}
#: Only for a reply that belongs to a message; ``meaning`` is stop, came_back, wrong_person or unclear.
REPLY_RECEIVED = "correspondence.reply_received"  # {message, customer, about, meaning}
