"""Writes of alerts: the watch (``evaluating``), what people do (``handling``), rules, and the daily digest."""

from __future__ import annotations

from .digests import (
    AlreadySubscribed,
    NoAddress,
    digest_subscribe,
    digest_unsubscribe,
    digests_make,
    digests_send,
)
from .evaluating import alerts_evaluate
from .handling import (
    ClosesByItself,
    NotOfThisBranch,
    SnoozeImpossible,
    alert_acknowledge,
    alert_close,
    alert_hand_over,
    alert_snooze,
)
from .rules import OwnerOnlyAtBranch, ThresholdOutOfRange, ThresholdUnknown, rule_set

__all__ = [
    "AlreadySubscribed",
    "ClosesByItself",
    "NoAddress",
    "NotOfThisBranch",
    "OwnerOnlyAtBranch",
    "SnoozeImpossible",
    "ThresholdOutOfRange",
    "ThresholdUnknown",
    "alert_acknowledge",
    "alert_close",
    "alert_hand_over",
    "alert_snooze",
    "alerts_evaluate",
    "digest_subscribe",
    "digest_unsubscribe",
    "digests_make",
    "digests_send",
    "rule_set",
]
