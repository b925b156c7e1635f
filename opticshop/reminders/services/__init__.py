"""Writes of reminders: who is told that a pair is ready; recalls planned and closed."""

from __future__ import annotations

from .ready import ready_message_queue, ready_messages_withdraw
from .recalls import RecallAlreadyClosed, recall_close, recall_plan

__all__ = [
    "RecallAlreadyClosed",
    "ready_message_queue",
    "ready_messages_withdraw",
    "recall_close",
    "recall_plan",
]
