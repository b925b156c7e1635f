"""Skeleton Name: a recall policy for opticshop."""

from __future__ import annotations

from calendar import monthrange
from collections.abc import Sequence
from datetime import date

from opticshop.plugin_api import (
    NO_SETTINGS,
    PluginManifest,
    RecallDecision,
    RecallPolicy,
    RecallSubject,
    Settings,
    hookimpl,
)

DEFAULT_MONTHS = 24


class SkeletonNamePolicy(RecallPolicy):
    """The prescriber's interval, or else the branch's. An interval is for the prescriber or a guideline to choose."""

    name = "skeleton-name"
    title = "Skeleton Name"

    def due_on(self, subject: RecallSubject, settings: Settings = NO_SETTINGS) -> RecallDecision:
        if subject.prescriber_interval_months is not None:
            return RecallDecision(
                due_on=months_later(subject.issued_on, subject.prescriber_interval_months),
                reason=f"The prescriber asked for {subject.prescriber_interval_months} months.",
                source="prescription",
            )
        months = int(settings.get("months", DEFAULT_MONTHS))
        return RecallDecision(
            due_on=months_later(subject.issued_on, months),
            reason=f"{months} months after the prescription.",
            source="setting of the branch; no guideline",
        )


def months_later(day: date, months: int) -> date:
    """The same day of a later month, or that month's last day."""
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    return date(year, month + 1, min(day.day, monthrange(year, month + 1)[1]))


class SkeletonName:
    manifest = PluginManifest(
        name="skeleton-name",
        title="Skeleton Name",
        version="0.1.0",
        api=">=1.0,<2",
        description="Invites a number of months after the prescription.",
        settings_schema={
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            "type": "object",
            "additionalProperties": False,
            "properties": {"months": {"title": "Months", "type": "integer", "minimum": 1, "maximum": 60}},
        },
        default_settings={"months": DEFAULT_MONTHS},
    )

    @hookimpl
    def register_recall_policies(self) -> Sequence[RecallPolicy]:
        return (SkeletonNamePolicy(),)


plugin = SkeletonName()
