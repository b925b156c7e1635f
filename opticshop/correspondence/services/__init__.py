"""Writes of correspondence: messages queued, sent and withdrawn; channels, templates, letters, what carriers say."""

from __future__ import annotations

from .batches import (
    ChannelDoesNotBatch,
    NothingToPost,
    NotPrinted,
    PostedInTheFuture,
    batch_document,
    batch_make,
    batch_posted,
    batch_void,
)
from .callbacks import CallbackNotProved, callback_take, reports_match
from .channels import ChannelOfAnotherWay, WayHasChannel, channel_choice_change, channel_choose
from .handling import NotToBeSentAgain, message_send_again, message_withdraw
from .queueing import Draft, WayUnknown, message_queue, messages_queue, messages_withdraw
from .sending import send_due, send_due_by
from .templates import (
    MessageKindUnknown,
    Preview,
    PreviewValueUnknown,
    TemplateExists,
    template_change,
    template_preview,
    template_write,
)
from .unsubscribing import unsubscribe

__all__ = [
    "CallbackNotProved",
    "ChannelDoesNotBatch",
    "ChannelOfAnotherWay",
    "Draft",
    "MessageKindUnknown",
    "NotPrinted",
    "NotToBeSentAgain",
    "NothingToPost",
    "PostedInTheFuture",
    "Preview",
    "PreviewValueUnknown",
    "TemplateExists",
    "WayHasChannel",
    "WayUnknown",
    "batch_document",
    "batch_make",
    "batch_posted",
    "batch_void",
    "callback_take",
    "channel_choice_change",
    "channel_choose",
    "message_queue",
    "message_send_again",
    "message_withdraw",
    "messages_queue",
    "messages_withdraw",
    "reports_match",
    "send_due",
    "send_due_by",
    "template_change",
    "template_preview",
    "template_write",
    "unsubscribe",
]
