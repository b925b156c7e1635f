"""Writes of reminders: who is told that a pair is ready; recalls as the facts have them; campaigns and notices."""

from __future__ import annotations

from .campaigns import (
    CampaignAlreadyOpen,
    CampaignIsOver,
    Notice,
    NoticesOutOfOrder,
    WaysUnknown,
    campaign_amend,
    campaign_draft,
    campaign_finish,
    campaign_pause,
    campaign_resume,
    campaign_start,
)
from .dry_run import DryRun, campaign_try
from .notices import (
    notices_lost_count,
    notices_make_due,
    notices_schedule_missing,
    obstacles_clear,
    recalls_close_exhausted,
)
from .ready import ready_message_queue, ready_messages_withdraw
from .recalls import RecallAlreadyClosed, customer_of, recall_close, recall_review, recalls_plan_forgotten, reply_heed

__all__ = [
    "CampaignAlreadyOpen",
    "CampaignIsOver",
    "DryRun",
    "Notice",
    "NoticesOutOfOrder",
    "RecallAlreadyClosed",
    "WaysUnknown",
    "campaign_amend",
    "campaign_draft",
    "campaign_finish",
    "campaign_pause",
    "campaign_resume",
    "campaign_start",
    "campaign_try",
    "customer_of",
    "notices_lost_count",
    "notices_make_due",
    "notices_schedule_missing",
    "obstacles_clear",
    "ready_message_queue",
    "ready_messages_withdraw",
    "recall_close",
    "recall_review",
    "recalls_close_exhausted",
    "recalls_plan_forgotten",
    "reply_heed",
]
