"""Handing the journal to bookkeeping: each entry once per exporter and scope, and every file again as it was."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator

from django.db import connection, transaction

from opticshop.branches.models import Branch
from opticshop.core import outbox
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import Forbidden
from opticshop.core.locks import lock_rows
from opticshop.pluginhost.services.supplying import ledger_exporter

from .. import events
from ..models import Entry, EntryPosition, JournalExport, JournalTail
from ..permissions import LedgerPermission
from ..selectors import journal_entries, totals_of
from .problems import NothingToExport


def export_make(*, actor: Actor, exporter: str, branch: Branch | None = None) -> JournalExport:
    """Put all entries that no batch of this exporter and scope has into a new one.

    The file is made once to know its hash and thrown away: ``export_pieces`` makes the same again. Raises
    NothingToExport, PluginNotAvailable, PluginDefect, Busy.
    """
    _require(actor, branch)
    bound = ledger_exporter(branch=branch, name=exporter)
    scope = branch.id if branch else None
    with transaction.atomic():
        upto = entries_settle()
        batches = JournalExport.objects.everywhere("the last batch of a scope the actor may export")
        before = batches.filter(exporter=exporter, branch=branch).order_by("-upto_position").first()
        after = before.upto_position if before else 0
        found = totals_of(branch_id=scope, after=after, upto=upto)
        if found is None:
            raise NothingToExport(f"{exporter} has everything up to {upto}.", field="exporter")
        digest, byte_count = hashlib.sha256(), 0
        for piece in bound.export(journal_entries(branch_id=scope, after=after, upto=upto)):
            digest.update(piece)
            byte_count += len(piece)
        export = JournalExport(
            branch=branch,
            exporter=exporter,
            made_by=bound.made_by,
            exporter_settings=dict(bound.settings),
            media_type=bound.media_type,
            file_name=f"{branch.code if branch else 'group'}-{exporter}-{upto}.{bound.file_extension}",
            after_position=after,
            upto_position=upto,
            entry_count=found.entry_count,
            line_count=found.line_count,
            totals={currency: str(amount) for currency, amount in found.totals.items()},
            booked_from=found.booked_from,
            booked_to=found.booked_to,
            sha256=digest.hexdigest(),
            byte_count=byte_count,
            by_id=actor.id,
            by_label=actor.label,
        )
        export.save(force_insert=True)
        outbox.record(
            event_type=events.EXPORTED,
            subject=f"journal-exports/{export.id}",
            actor=actor,
            branch_id=export.branch_id,
            data={"export": str(export.id), "exporter": exporter, "entries": export.entry_count},
        )
    return export


def export_pieces(export: JournalExport) -> Iterator[bytes]:
    """The file of a batch, piece by piece, under the settings it was made with. Raises as export_make."""
    bound = ledger_exporter(branch=export.branch, name=export.exporter).under(export.exporter_settings)
    return bound.export(
        journal_entries(branch_id=export.branch_id, after=export.after_position, upto=export.upto_position)
    )


def entries_settle() -> int:
    """Give a position to every entry that is there and has none; returns the last. Held until the transaction ends.

    An entry whose transaction commits after this one looked gets its position the next time. Raises Busy.
    """
    JournalTail.objects.get_or_create(id=1)
    [tail] = lock_rows(JournalTail.objects.filter(id=1))
    entry, position = Entry._meta.db_table, EntryPosition._meta.db_table
    with connection.cursor() as cursor:
        cursor.execute(
            f"INSERT INTO {position} (entry_id, position) "
            f"SELECT e.id, %s + row_number() OVER (ORDER BY e.id) FROM {entry} e "
            f"WHERE NOT EXISTS (SELECT 1 FROM {position} p WHERE p.entry_id = e.id)",
            [tail.last],
        )
        settled = cursor.rowcount
    if settled:
        tail.last += settled
        tail.save(update_fields=["last"])
    return tail.last


def _require(actor: Actor, branch: Branch | None) -> None:
    if branch is not None:
        actor.require(LedgerPermission.EXPORT, branch.id)
    elif actor.where(LedgerPermission.EXPORT) is not ALL:
        raise Forbidden("The whole group is exported by whoever may export every branch. Name a branch.")
