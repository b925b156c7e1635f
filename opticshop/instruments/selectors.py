"""Reads of instruments, check pieces and checks, limited to the branches in which the actor may see them."""

from __future__ import annotations

import datetime as dt
import uuid
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.db.models import Exists, OuterRef, Prefetch, Q

from opticshop.branches.models import Branch
from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.errors import NotFound
from opticshop.core.scoping import BranchQuerySet
from opticshop.plugin_api import Uncertainty

from .calibration import Calibration, calibration
from .models import CheckPiece, CheckReading, Instrument, InstrumentPolicy
from .permissions import InstrumentPermission
from .uncertainties import TYPICAL

VIEW = InstrumentPermission.VIEW


def instruments_visible_to(actor: Actor, permission: str = VIEW) -> BranchQuerySet[Instrument]:
    """With what their state is computed from: the newest pass and the newest fail of each piece."""
    latest = Prefetch("checks", _latest(), to_attr="latest_checks")
    found: BranchQuerySet[Any] = Instrument.objects.visible_to(actor, permission)
    return found.select_related("branch").prefetch_related(latest)


def instrument_get_for(actor: Actor, instrument_id: uuid.UUID, *, permission: str = VIEW) -> Instrument:
    """The instrument, if the actor holds the permission in its branch; otherwise NotFound, whatever the reason."""
    found = instruments_visible_to(actor, permission).filter(id=instrument_id).first()
    if found is None:
        raise NotFound(f"There is no instrument {instrument_id} here.", field="instrument")
    return found


def pieces_visible_to(actor: Actor, permission: str = VIEW) -> BranchQuerySet[CheckPiece]:
    return CheckPiece.objects.visible_to(actor, permission).select_related("branch")


def piece_get_for(actor: Actor, piece_id: uuid.UUID, *, permission: str = VIEW) -> CheckPiece:
    found = pieces_visible_to(actor, permission).filter(id=piece_id).first()
    if found is None:
        raise NotFound(f"There is no check piece {piece_id} here.", field="piece")
    return found


def checks_visible_to(actor: Actor) -> BranchQuerySet[CheckReading]:
    return CheckReading.objects.visible_to(actor, VIEW).select_related("instrument", "piece", "checked_by")


def calibration_of(instrument: Instrument) -> Calibration:
    """The state today, in the branch's zone. Uses the checks fetched with the instrument, else one query."""
    latest = getattr(instrument, "latest_checks", None)
    if latest is None:
        latest = _latest().filter(instrument=instrument)
    zone = instrument.branch.time_zone
    return calibration(instrument, latest, today=clock.today(zone), zone=zone)


def policy_of(branch: Branch) -> InstrumentPolicy:
    """The branch's policy; the default, not yet written and of version 0, where it has set none."""
    found = InstrumentPolicy.objects.everywhere("of a branch the caller may see").filter(branch=branch).first()
    return found or InstrumentPolicy(branch=branch, version=0)


def uncertainty_for(instrument: Instrument) -> Uncertainty | None:
    """Expanded uncertainty of what is read on this instrument: its own where stated, else typical for its kind."""
    typical = TYPICAL[instrument.kind].uncertainty if instrument.kind in TYPICAL else Uncertainty()

    def stated(own: Decimal | None, usual: Decimal | None) -> Decimal | None:
        return usual if own is None else own

    found = Uncertainty(
        power_dpt=stated(instrument.power_uncertainty_dpt, typical.power_dpt),
        prism_dpt=stated(instrument.prism_uncertainty_dpt, typical.prism_dpt),
        axis_deg=stated(instrument.axis_uncertainty_deg, typical.axis_deg),
        length_mm=stated(instrument.length_uncertainty_mm, typical.length_mm),
    )
    return None if found == Uncertainty() else found


@dataclass(frozen=True, slots=True)
class DoubtfulSpan:
    """The time in which an instrument was used between a good check and the next word on it.

    ``since`` None: it was never checked good before. ``until`` None: up to now. ``failed`` is the check that raised the
    doubt, None when nothing failed and only the time since the last good check is asked about.
    """

    since: dt.datetime | None
    until: dt.datetime | None
    good: CheckReading | None
    failed: CheckReading | None


def doubtful_span(instrument: Instrument) -> DoubtfulSpan:
    """From the last good check before the latest failure to the pass that answered it; without a failure, from the
    last good check until now. Good means the piece, or another of the same quantity, passed."""
    checks = CheckReading.objects.everywhere("of an instrument the caller may see").filter(instrument=instrument)
    checks = checks.select_related("piece")
    failed = checks.filter(outcome=CheckReading.Outcome.FAIL).order_by("-id").first()
    passes = checks.filter(outcome=CheckReading.Outcome.PASS).order_by("-id")
    if failed is None:
        since = calibration_of(instrument).last_good_at
        good = passes.filter(checked_at=since).first() if since else None
        return DoubtfulSpan(since=since, until=None, good=good, failed=None)
    good = passes.filter(quantity=failed.quantity, id__lt=failed.id).first()
    same = Q(piece=failed.piece) if failed.piece.is_active else Q(quantity=failed.quantity)
    answered = passes.filter(same, id__gt=failed.id).last()
    return DoubtfulSpan(
        since=good.checked_at if good else None,
        until=answered.checked_at if answered else None,
        good=good,
        failed=_first_of_run(checks, failed, good),
    )


def _first_of_run(
    checks: BranchQuerySet[CheckReading], failed: CheckReading, good: CheckReading | None
) -> CheckReading:
    run = checks.filter(outcome=CheckReading.Outcome.FAIL, quantity=failed.quantity, id__lte=failed.id)
    if good is not None:
        run = run.filter(id__gt=good.id)
    return run.order_by("id").first() or failed


def _latest() -> BranchQuerySet[CheckReading]:
    """The newest pass and the newest fail of each instrument with each piece."""
    checks = CheckReading.objects.everywhere("of instruments the caller may see")
    newer = checks.filter(
        instrument=OuterRef("instrument"), piece=OuterRef("piece"), outcome=OuterRef("outcome"), id__gt=OuterRef("id")
    )
    return checks.filter(~Exists(newer)).select_related("piece")
