"""Writes of appointments: booked, changed, moved on, reminded of; calendar feeds shared and revoked."""

from __future__ import annotations

from .booking import (
    AlreadyBooked,
    CustomerNotToBook,
    LengthUnusable,
    NotToBeCollected,
    NotToBeMoved,
    OutsideOpeningHours,
    PersonNotHere,
    TimeUnusable,
    appointment_book,
    appointment_change,
)
from .feeds import FeedRevoked, WithToken, feed_read, feed_revoke, feed_share
from .moving import TooEarly, appointment_arrive, appointment_attend, appointment_cancel, appointment_miss
from .reminding import reminders_queue

__all__ = [
    "AlreadyBooked",
    "CustomerNotToBook",
    "FeedRevoked",
    "LengthUnusable",
    "NotToBeCollected",
    "NotToBeMoved",
    "OutsideOpeningHours",
    "PersonNotHere",
    "TimeUnusable",
    "TooEarly",
    "WithToken",
    "appointment_arrive",
    "appointment_attend",
    "appointment_book",
    "appointment_cancel",
    "appointment_change",
    "appointment_miss",
    "feed_read",
    "feed_revoke",
    "feed_share",
    "reminders_queue",
]
