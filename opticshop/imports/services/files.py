"""Taking a file in, saying how it is read, starting, stopping and cancelling it."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any

from django.db import IntegrityError, transaction

from opticshop.branches.models import Branch
from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import VersionMismatch
from opticshop.core.locks import lock_rows
from opticshop.core.states import check_move

from .. import events
from ..kinds import KINDS
from ..models import ImportFile, ImportRow
from ..reading import Reading, check_size, first_rows, read
from .problems import AlreadyUploaded, ColumnsIncomplete, FieldUnknown, HeadingMissing, require_run

State = ImportFile.State
_READ_ANEW = {"encoding", "delimiter"}
_ROWS_AT_ONCE = 1000


def import_upload(
    *,
    actor: Actor,
    branch: Branch,
    kind: str,
    content: bytes,
    file_name: str = "",
    again: bool = False,
    encoding: str | None = None,
    delimiter: str | None = None,
    **how: Any,
) -> ImportFile:
    """Take a file in, read it whole and propose which column means what; ``how`` are columns of ImportFile.

    Raises AlreadyUploaded unless ``again``, and what the reading refuses.
    """
    require_run(actor, branch.id, kind)
    check_size(len(content))
    digest = hashlib.sha256(content).hexdigest()
    if not again:
        _refuse_known(branch, kind, digest)
    reading = read(content, encoding=encoding, delimiter=delimiter)
    file = ImportFile(
        branch=branch,
        kind=kind,
        content=content,
        size=len(content),
        sha256=digest,
        file_name=file_name,
        is_repeat=again,
        mapping=KINDS[kind].proposed(reading.headings),
        uploaded_by_id=actor.id,
        **_as_read(reading),
        **how,
    )
    with transaction.atomic():
        try:
            with transaction.atomic():
                file.save(force_insert=True)
        except IntegrityError as error:
            _refuse_known(branch, kind, digest)
            raise error
        record(events.IMPORT_UPLOADED, file, actor)
    return file


def import_amend(*, actor: Actor, file: ImportFile, version: int, changes: Mapping[str, Any]) -> ImportFile:
    """Say which column means what (``mapping`` as a whole), or how the file is read, before it runs.

    Read with another delimiter or encoding the columns are proposed anew unless they are given. Raises
    VersionMismatch, MoveNotAllowed, FieldUnknown, HeadingMissing and what the reading refuses.
    """
    require_run(actor, file.branch_id, file.kind)
    with transaction.atomic():
        held = hold(file)
        if held.version != version:
            raise VersionMismatch(field="If-Match")
        check_move(ImportFile.MOVES, held.state, State.CANCELLED, of="The import")  # as long as it may be cancelled
        values = dict(changes)
        if _READ_ANEW & set(values):
            how = {name: values.get(name, getattr(held, name)) for name in _READ_ANEW}
            reading = read(bytes(held.content), **how)
            values = _as_read(reading) | {"mapping": KINDS[held.kind].proposed(reading.headings)} | values
        if "mapping" in values:
            values["mapping"] = _checked(values["mapping"], held.kind, values.get("headings", held.headings))
        write(held, **values, tried=None, try_due=False)
    return held


def import_run(*, actor: Actor, file: ImportFile) -> ImportFile:
    """Start a file, or run on one that was stopped: its rows are then applied by the duty ``imports.apply``.

    Raises ColumnsIncomplete, MoveNotAllowed, and for prices what the price lists refuse of their day.
    """
    require_run(actor, file.branch_id, file.kind)
    with transaction.atomic():
        held = hold(file)
        check_move(ImportFile.MOVES, held.state, State.RUNNING, of="The import")
        check_columns(held)
        if held.state == State.UPLOADED:
            prepare(actor, held)
            _lay_out_rows(held)
        write(
            held,
            state=State.RUNNING,
            run_by_id=actor.id,
            price_list=held.price_list,
            started_at=held.started_at or clock.now(),
            stopped_because="",
            try_due=False,
        )
        record(events.IMPORT_STARTED, held, actor)
    return held


def import_cancel(*, actor: Actor, file: ImportFile) -> ImportFile:
    """Call a file off before it runs; one that runs is stopped after the rows at hand, and can be run on."""
    require_run(actor, file.branch_id, file.kind)
    with transaction.atomic():
        held = hold(file)
        if held.state == State.RUNNING:
            stop(held, actor, "Stopped by hand.")
            return held
        check_move(ImportFile.MOVES, held.state, State.CANCELLED, of="The import")
        write(held, state=State.CANCELLED, ended_at=clock.now(), content=b"", preview=[], try_due=False)
        record(events.IMPORT_CANCELLED, held, actor)
    return held


def hold(file: ImportFile) -> ImportFile:
    """The file as it stands, held until the transaction ends; whoever applies its rows holds it too."""
    rows = ImportFile.objects.everywhere("by key, permission checked by the use case").filter(id=file.id)
    [held] = lock_rows(rows.select_related("branch").defer("content"))
    return held


def write(file: ImportFile, **values: Any) -> None:
    for name, value in values.items():
        setattr(file, name, value)
    file.version += 1
    file.save(update_fields=[*(name.removesuffix("_id") for name in values), "version"])


def stop(file: ImportFile, actor: Actor, because: str) -> None:
    write(file, state=State.STOPPED, stopped_because=because[:300])
    record(events.IMPORT_STOPPED, file, actor)


def record(event_type: str, file: ImportFile, actor: Actor, **more: Any) -> None:
    outbox.record(
        event_type=event_type,
        subject=f"imports/{file.id}",
        actor=actor,
        branch_id=file.branch_id,
        data={"import": str(file.id), "kind": file.kind, **more},
    )


def prepare(actor: Actor, file: ImportFile) -> None:
    """What the kind does before its first row; ``file`` is changed, not written."""
    before = KINDS[file.kind].prepare
    if before is not None:
        before(actor, file)


def check_columns(file: ImportFile) -> None:
    """Raises ColumnsIncomplete."""
    for group in KINDS[file.kind].needed:
        if not any(name in file.mapping for name in group):
            raise ColumnsIncomplete(
                f"Say which column holds {' or '.join(group)}.", field=f"mapping/{group[0]}", allowed=file.headings
            )


def _as_read(reading: Reading) -> dict[str, Any]:
    return {
        "encoding": reading.encoding,
        "delimiter": reading.delimiter,
        "detected": reading.detected,
        "headings": reading.headings,
        "preview": first_rows(reading),
        "rows_total": len(reading.rows),
    }


def _checked(mapping: Mapping[str, str], kind: str, headings: list[str]) -> dict[str, str]:
    """The mapping without fields that are mapped to nothing. Raises FieldUnknown, HeadingMissing."""
    names = KINDS[kind].names
    for name, heading in mapping.items():
        if name not in names:
            raise FieldUnknown(f"Rows of {kind} have no field {name[:80]!r}.", field="mapping", allowed=names)
        if heading and heading not in headings:
            raise HeadingMissing(
                f"The file has no column {heading[:80]!r}.", field=f"mapping/{name}", allowed=[h for h in headings if h]
            )
    return {name: heading for name, heading in mapping.items() if heading}


def _refuse_known(branch: Branch, kind: str, digest: str) -> None:
    known = ImportFile.objects.everywhere("branch of the upload, permission checked").filter(
        branch=branch, kind=kind, sha256=digest
    )
    found = known.exclude(state=State.CANCELLED).order_by("id").values_list("id", "created_at").first()
    if found is not None:
        raise AlreadyUploaded(
            f"It was uploaded on {found[1]:%Y-%m-%d} as {found[0]}.",
            field="file",
            allowed="again=true",
            known=str(found[0]),
        )


def _lay_out_rows(file: ImportFile) -> None:
    reading = read(bytes(file.content), encoding=file.encoding, delimiter=file.delimiter)
    ImportRow.objects.bulk_create(
        (ImportRow(file=file, number=number, cells=cells) for number, cells in reading.rows),
        batch_size=_ROWS_AT_ONCE,
    )
