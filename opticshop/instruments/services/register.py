"""The register of a branch's instruments and check pieces, and its policy."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.db import IntegrityError, transaction

from opticshop.branches.models import Branch
from opticshop.core.actor import Actor
from opticshop.core.errors import Invalid, VersionMismatch

from .. import events
from ..models import CheckPiece, Instrument, InstrumentPolicy
from ..permissions import InstrumentPermission
from .rows import NameTaken, explain, record, write_change

__all__ = ["NameTaken", "OutReasonMissing", "instrument_add", "instrument_change", "piece_add", "piece_change"]

MANAGE = InstrumentPermission.MANAGE


class OutReasonMissing(Invalid):
    """An instrument is taken out of service with the reason."""

    code = "instruments.out_reason_missing"
    title = "Say why it is taken out of service"


def instrument_add(*, actor: Actor, branch: Branch, **values: Any) -> Instrument:
    """Enter an instrument; ``values`` are columns of Instrument. It counts as overdue until its first good checks."""
    actor.require(MANAGE, branch.id)
    with transaction.atomic():
        instrument = Instrument(branch=branch, **values)
        try:
            with transaction.atomic():
                instrument.save(force_insert=True)
        except IntegrityError as error:
            explain(error, instrument.name)
        record(
            events.ADDED,
            f"instruments/{instrument.id}",
            actor,
            instrument,
            instrument=str(instrument.id),
            kind=str(instrument.kind),
        )
    return instrument


def instrument_change(*, actor: Actor, instrument: Instrument, version: int, changes: Mapping[str, Any]) -> Instrument:
    """Change an instrument's details, or take it out of service or back. Putting it back clears the reason."""
    actor.require(MANAGE, instrument.branch_id)
    columns = dict(changes)
    if columns.get("in_service", instrument.in_service):
        columns["out_reason"] = ""
    elif not columns.get("out_reason", instrument.out_reason):
        raise OutReasonMissing(field="out_reason")
    with transaction.atomic():
        rows = Instrument.objects.everywhere("by key, permission checked above")
        try:
            with transaction.atomic():
                write_change(rows, instrument, version, columns)
        except IntegrityError as error:
            explain(error, columns["name"])
        record(
            events.CHANGED,
            f"instruments/{instrument.id}",
            actor,
            instrument,
            instrument=str(instrument.id),
            fields=sorted(changes),
        )
    return instrument


def piece_add(*, actor: Actor, branch: Branch, **values: Any) -> CheckPiece:
    """Enter a check piece; ``values`` are columns of CheckPiece."""
    actor.require(MANAGE, branch.id)
    with transaction.atomic():
        piece = CheckPiece.objects.create(branch=branch, **values)
        record(
            events.PIECE_ADDED,
            f"check-pieces/{piece.id}",
            actor,
            piece,
            piece=str(piece.id),
            quantity=str(piece.quantity),
        )
    return piece


def piece_change(*, actor: Actor, piece: CheckPiece, version: int, changes: Mapping[str, Any]) -> CheckPiece:
    """Change name, certificate or limit of a piece, or retire it. What it embodies stays as certified."""
    actor.require(MANAGE, piece.branch_id)
    with transaction.atomic():
        rows = CheckPiece.objects.everywhere("by key, permission checked above")
        write_change(rows, piece, version, changes)
        record(
            events.PIECE_CHANGED,
            f"check-pieces/{piece.id}",
            actor,
            piece,
            piece=str(piece.id),
            fields=sorted(changes),
        )
    return piece


def policy_set(*, actor: Actor, branch: Branch, version: int, out_of_calibration: str) -> InstrumentPolicy:
    """Choose what the branch does with an instrument out of calibration. Version 0 is the default nobody has set."""
    actor.require(MANAGE, branch.id)
    with transaction.atomic():
        rows = InstrumentPolicy.objects.everywhere("by branch, permission checked above")
        if version == 0:
            try:
                with transaction.atomic():
                    policy = InstrumentPolicy.objects.create(branch=branch, out_of_calibration=out_of_calibration)
            except IntegrityError as error:
                raise VersionMismatch(field="If-Match") from error
        else:
            found = rows.filter(branch=branch).first()
            if found is None:
                raise VersionMismatch(field="If-Match")
            policy = found
            write_change(rows, policy, version, {"out_of_calibration": out_of_calibration})
        record(
            events.POLICY_SET,
            f"branches/{branch.id}",
            actor,
            policy,
            branch=str(branch.id),
            out_of_calibration=str(policy.out_of_calibration),
        )
    return policy
