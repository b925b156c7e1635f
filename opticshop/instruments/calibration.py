"""Whether an instrument is in calibration, from the latest checks of it: rows in, an answer out, no query."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

from .kinds import CalibrationState
from .models import CheckReading, Instrument
from .schedule import DUE_SHARE, Need, needs_of

State = CalibrationState


@dataclass(frozen=True, slots=True)
class Standing:
    """One needed check: when it was last good, and by what day it must be good again."""

    need: Need
    state: CalibrationState
    last_good_at: dt.datetime | None
    due_on: dt.date | None


@dataclass(frozen=True, slots=True)
class Calibration:
    """The state of an instrument today; ``reason`` is one plain sentence. ``due_on`` is the nearest of its checks."""

    state: CalibrationState
    reason: str
    last_good_at: dt.datetime | None
    due_on: dt.date | None
    standings: Sequence[Standing]

    @property
    def is_good(self) -> bool:
        return self.state in (State.IN_CALIBRATION, State.DUE)


def needs_for(instrument: Instrument) -> list[Need]:
    """The checks an instrument needs, with its own interval where the branch has set one."""
    needs = needs_of(instrument.kind)
    if instrument.interval_days is None:
        return list(needs)
    return [replace(need, interval_days=instrument.interval_days) for need in needs]


def calibration(instrument: Instrument, latest: Iterable[CheckReading], *, today: dt.date, zone: str) -> Calibration:
    """The state from the newest pass and the newest fail of each piece (``latest``, pieces fetched).

    A failure stands until the same piece passes; when that piece was retired, until another one of the same quantity
    does. ``last_good_at`` is the earliest of the last passes that are needed: everything measured since is vouched for
    only by checks still to come.
    """
    checks = list(latest)
    standings = [_standing(need, checks, today, zone) for need in needs_for(instrument)]
    passes = [standing.last_good_at for standing in standings]
    known = [moment for moment in passes if moment is not None]
    last_good_at = min(known) if known and len(known) == len(passes) else None
    due_on = min((standing.due_on for standing in standings if standing.due_on is not None), default=None)
    state, reason = _verdict(instrument, checks, standings)
    return Calibration(state, reason, last_good_at, due_on, standings)


def standing_failures(latest: Iterable[CheckReading]) -> list[CheckReading]:
    """The failures that no later pass has answered."""
    checks = list(latest)
    passes = [check for check in checks if check.outcome == CheckReading.Outcome.PASS]
    return [
        check
        for check in checks
        if check.outcome == CheckReading.Outcome.FAIL and not any(_answers(good, check) for good in passes)
    ]


def _answers(good: CheckReading, failure: CheckReading) -> bool:
    same = good.piece_id == failure.piece_id if failure.piece.is_active else good.quantity == failure.quantity
    return same and good.id > failure.id


def _standing(need: Need, checks: list[CheckReading], today: dt.date, zone: str) -> Standing:
    passes = [
        check.checked_at
        for check in checks
        if check.quantity == need.quantity and check.outcome == CheckReading.Outcome.PASS
    ]
    if not passes:
        return Standing(need, State.OVERDUE, None, None)
    last = max(passes)
    due_on = last.astimezone(ZoneInfo(zone)).date() + dt.timedelta(days=need.interval_days)
    if today > due_on:
        return Standing(need, State.OVERDUE, last, due_on)
    soon = today >= due_on - dt.timedelta(days=need.interval_days // DUE_SHARE)
    return Standing(need, State.DUE if soon else State.IN_CALIBRATION, last, due_on)


def _verdict(
    instrument: Instrument, checks: list[CheckReading], standings: list[Standing]
) -> tuple[CalibrationState, str]:
    if not instrument.in_service:
        return State.OUT_OF_SERVICE, f"{instrument} is out of service: {instrument.out_reason}"
    failures = standing_failures(checks)
    if failures:
        failure = max(failures, key=lambda check: check.id)
        return State.FAILED, (
            f"{instrument} read {failure.reading.normalize():f} on {failure.piece} of "
            f"{failure.certified_value.normalize():f} ({failure.quantity}): off by {failure.deviation.normalize():+f}, "
            f"permitted {failure.permitted_error.normalize():f}."
        )
    for state, words in ((State.OVERDUE, "is overdue"), (State.DUE, "is due")):
        found = [standing for standing in standings if standing.state == state]
        if found:
            said = "; ".join(_said(standing) for standing in found)
            return state, f"{instrument} {words} for a check: {said}."
    return State.IN_CALIBRATION, f"{instrument} is in calibration."


def _said(standing: Standing) -> str:
    quantity = standing.need.quantity.value
    return f"{quantity} never passed one" if standing.due_on is None else f"{quantity} by {standing.due_on}"
