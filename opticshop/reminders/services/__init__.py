"""Writes of reminders: messages queued, withdrawn and sent; recalls planned and closed."""

from __future__ import annotations

from .messages import messages_withdraw, ready_message_queue
from .recalls import RecallAlreadyClosed, recall_close, recall_plan
from .sending import send_due

__all__ = [
    "RecallAlreadyClosed",
    "messages_withdraw",
    "ready_message_queue",
    "recall_close",
    "recall_plan",
    "send_due",
]
