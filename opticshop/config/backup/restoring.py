"""Put a backup in the place of the installation, after everything about it has been proven beside it."""

from __future__ import annotations

import datetime as dt
import shutil
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from django.core.management import call_command
from django.db import connection
from django.db.migrations.executor import MigrationExecutor
from django.db.migrations.loader import MigrationLoader

from opticshop.audit.proof import findings as audit_findings
from opticshop.audit.triggers import install
from opticshop.core import clock
from opticshop.ledger.selectors import ledger_findings

from . import aftermath, databases
from .making import compare, unpacked, workshop
from .places import fingerprint_of_secret, found_in, places
from .refusing import BackupRefused, past_stopping

Say = Callable[[str], None]


@dataclass(slots=True)
class Restored:
    manifest: dict[str, Any]
    migrated: int = 0
    findings: list[str] = field(default_factory=list)
    #: What was there before, where it is kept.
    kept: list[str] = field(default_factory=list)
    #: What whoever runs the service must know, a sentence each.
    notes: list[str] = field(default_factory=list)


def restore(
    path: Path,
    *,
    passphrase: bytes | None,
    replace: bool = False,
    accept_findings: bool = False,
    rehearse: bool = False,
    say: Say = lambda words: None,
) -> Restored:
    """Unpack, prove, migrate and put in place; with ``rehearse`` all but the last. Raises BackupRefused.

    Until the last step the installation is untouched. That step moves the folders and then, in one move, the database;
    what was there is kept aside under a name that ends with ``before-`` and the moment.
    """
    if not replace and not rehearse and _is_inhabited():
        raise BackupRefused(
            "This installation holds data. Say --replace to keep it aside and put the backup in its place."
        )
    vendor, settings = databases.present()
    beside = Path(settings["NAME"]).parent if vendor == "sqlite" else places()["media"].parent
    beside.mkdir(parents=True, exist_ok=True)
    with workshop(beside) as room:
        say(f"Reading {path.name}")
        manifest = unpacked(path, passphrase, room)
        _refuse_other(manifest, vendor)
        restored = Restored(manifest)
        stamp = f"{clock.now().astimezone(dt.UTC):%Y%m%dT%H%M%SZ}"
        with databases.Beside(room / databases.MEMBERS[vendor], stamp) as database:
            say("Comparing every table with the manifest")
            compare(manifest, database.digests())
            with databases.in_place_of_default(database.settings()):
                _prove(restored, say)
                if restored.findings and not accept_findings:
                    found = "; ".join(restored.findings[:10])
                    raise BackupRefused(f"{len(restored.findings)} findings, nothing was replaced: {found}")
                if rehearse:
                    return restored
                restored.notes += aftermath.settle(manifest)
            say("Putting everything in place")
            _put_in_place(room, database, restored, stamp)
    if manifest["secret_key_fingerprint"] != fingerprint_of_secret():
        restored.notes.append(
            "OPTICSHOP_SECRET_KEY is another one than when the backup was made: the secrets of webhooks and second "
            "factors cannot be opened. Put the old key in place, or rotate them."
        )
    return restored


def _is_inhabited() -> bool:
    return databases.is_inhabited() or next(found_in("media", places()["media"]), None) is not None


def _refuse_other(manifest: dict[str, Any], vendor: str) -> None:
    if manifest["vendor"] != vendor:
        raise BackupRefused(f"This is a backup of {manifest['vendor']}; this installation uses {vendor}.")
    here = MigrationLoader(None).disk_migrations
    unknown = [f"{app}.{name}" for app, name in manifest["migrations"] if (app, name) not in here]
    if unknown:
        raise BackupRefused(
            f"The backup is of a newer version, or of one with other plugins: {len(unknown)} of its migrations are not "
            f"known here, for instance {unknown[0]}. Restore it with the version that made it: {manifest['made_by']}."
        )


def _prove(restored: Restored, say: Say) -> None:
    """On the copy: bring it to the schema of this version, then look at everything that must hold."""
    executor = MigrationExecutor(connection)
    plan = executor.migration_plan(executor.loader.graph.leaf_nodes())
    if plan:
        say(f"Running {len(plan)} migrations")
        call_command("migrate", verbosity=0, interactive=False)
    else:
        install(connection)  # the triggers of this version, which migrate would put in place
    restored.migrated = len(plan)
    say("Proving the ledger")
    restored.findings += [f"ledger: {each}" for each in ledger_findings()]
    say("Proving the audit trail")
    restored.findings += [f"audit trail: {each}" for each in audit_findings()]


def _put_in_place(room: Path, database: databases.Beside, restored: Restored, stamp: str) -> None:
    """Folders first; the database is the last move. A failure before it puts the folders back."""
    past_stopping()
    with ExitStack() as undo:
        for name, place in places().items():
            undo.callback(_unswap, *(swapped := _swap(room / name, place, stamp, merge=name == "messages")))
            restored.kept += [str(swapped[1])] if swapped[1] is not None else []
        if (old := database.put_in_place()) is not None:
            restored.kept.append(old)
        undo.pop_all()


def _swap(new: Path, place: Path, stamp: str, *, merge: bool) -> tuple[Path, Path | None]:
    """``place`` holds what ``new`` held; what it held is moved aside. With ``merge`` that is copied back over it: the
    journal of mail that is here knows what was sent since the backup."""
    aside = place.with_name(f"{place.name}.before-{stamp}")
    had_any = place.exists()
    if had_any:
        place.rename(aside)
    place.parent.mkdir(parents=True, exist_ok=True)
    if new.exists():
        shutil.move(new, place)
    else:
        place.mkdir(mode=0o700)
    if merge and had_any:
        shutil.copytree(aside, place, dirs_exist_ok=True)
    return place, aside if had_any else None


def _unswap(place: Path, aside: Path | None) -> None:
    shutil.rmtree(place, ignore_errors=True)
    if aside is not None:
        aside.rename(place)


def table(manifest: dict[str, Any]) -> Iterator[str]:
    """What a backup holds, for reading: each table with rows, and the sums."""
    held = {name: facts for name, facts in manifest["tables"].items() if facts["rows"]}
    for name, facts in sorted(held.items()):
        yield f"{name:44} {facts['rows']:>9} rows  {facts['sha256'][:16]}"
    files = [each for each in manifest["files"] if "/" in each["name"]]
    yield f"{sum(facts['rows'] for facts in held.values())} rows in {len(held)} of {len(manifest['tables'])} tables"
    yield f"{len(files)} files of {sum(each['size'] for each in files):,} bytes"
