"""The words of the mails: plain text, without figures in the subject or the text."""

from __future__ import annotations

import calendar
from collections.abc import Sequence
from urllib.parse import urlencode

from django.conf import settings
from django.urls import reverse

from opticshop.branches.models import Branch

from .models import ReportOccurrence, ReportRun, ReportSchedule, Rhythm
from .registry import TOTAL, report_of

_WEEKDAYS = list(calendar.day_name)


def report_words(
    occurrence: ReportOccurrence, run: ReportRun, branches: Sequence[str], *, is_attached: bool
) -> tuple[str, str]:
    """Subject and text. The address of the file asks for a sign-in, and is good for as long as the file is kept."""
    schedule, report = occurrence.schedule, report_of(run.report)
    days = str(run.since) if run.since == run.until else f"{run.since} to {run.until}"
    lines = [
        f"{report.title}: {report.purpose}",
        "",
        f"Days: {days}, by the calendar of each branch",
        f"Branches: {', '.join(branches)}",
    ]
    if run.by != TOTAL:
        lines.append(f"Grouped by: {run.by.replace('_', ' ')}")
    if run.compare:
        lines.append("Beside: " + ("the days before" if run.compare == "previous" else "the same days a year before"))
    lines += ["", "The file is attached." if is_attached else "The file is kept here; sign in to fetch it:"]
    lines += [] if is_attached else [_address_of(run)]
    if run.expires_at is not None and not is_attached:
        lines.append(f"It is kept until {run.expires_at:%Y-%m-%d %H:%M} UTC.")
    if occurrence.missed:
        times = "one earlier time" if occurrence.missed == 1 else f"{occurrence.missed} earlier times"
        lines += ["", f"The service was away for a while: {times} of this report were left out."]
    if occurrence.by_hand:
        lines += ["", "You asked for this one yourself."]
    lines += ["", f"You are sent this {rhythm_words(schedule)}.", f"To stop it: POST {_leave_of(schedule)}"]
    return f"{report.title}, {days}", "\n".join(lines) + "\n"


def code_words(sender: Branch, code: str) -> tuple[str, str]:
    """Subject and text of the mail that proves an address."""
    parts = "-".join(code[start : start + 4] for start in range(0, len(code), 4))
    text = [
        "Somebody who is signed in with your account asked that reports be sent to this address.",
        "If that was you, enter this code there:",
        "",
        parts,
        "",
        "It is good for seven days. If it was not you, do nothing: no report is sent here then.",
    ]
    return f"Code for reports by mail, {sender.name}", "\n".join(text) + "\n"


def rhythm_words(schedule: ReportSchedule) -> str:
    """ "on Monday of each week at 07:00 (Europe/London)"."""
    at = f"at {schedule.hour:02}:00 ({schedule.time_zone})"
    if schedule.rhythm == Rhythm.WEEKLY:
        assert schedule.weekday is not None
        return f"on {_WEEKDAYS[schedule.weekday - 1]} of each week {at}"
    if schedule.rhythm == Rhythm.MONTHLY:
        day = "the last day" if schedule.month_day == 31 else f"day {schedule.month_day}"
        return f"on {day} of each month {at}"
    return f"every day {at}"


def _address_of(run: ReportRun) -> str:
    path = f"/api/v1/report-runs/{run.id}/file/"
    return f"{_host()}{reverse('sign-in')}?{urlencode({'next': path})}"


def _leave_of(schedule: ReportSchedule) -> str:
    return f"{_host()}/api/v1/report-schedules/{schedule.id}/leave/"


def _host() -> str:
    return str(settings.OPTICSHOP_PUBLIC_URL).rstrip("/")
