"""Writes of correspondence: messages queued, withdrawn and sent."""

from __future__ import annotations

from .queueing import Draft, message_queue, messages_queue, messages_withdraw
from .sending import send_due

__all__ = ["Draft", "message_queue", "messages_queue", "messages_withdraw", "send_due"]
