"""Back up the database and the files beside it, while the service runs."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser

from opticshop.config import env
from opticshop.config.backup.making import make, verify
from opticshop.config.backup.refusing import BackupRefused, Stopped, put_in_words, stopped_orderly
from opticshop.config.backup.restoring import table
from opticshop.config.backup.sealed import passphrase_in


class Command(BaseCommand):
    help = (
        "Write one archive of the database (SQLite while it is written to, PostgreSQL by pg_dump), the photographs and "
        "the messages, with a manifest; read it back; remove old ones. With --verify: prove an archive. "
        "docs/backups.md says what must be kept apart from it."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--to", type=Path, metavar="FOLDER", help="Where to (OPTICSHOP_BACKUPS, else var/backups).")
        parser.add_argument("--verify", type=Path, metavar="FILE", help="Read this backup and prove it; make none.")
        parser.add_argument("--keep", type=int, metavar="N", help="Afterwards remove all but the newest N.")
        add_key_file(parser)
        parser.add_argument("--unsealed", action="store_true", help="Not under a passphrase: anybody can read it.")

    def handle(self, *args: Any, **options: Any) -> None:
        with refusals_told():
            self._handle(options)

    def _handle(self, options: dict[str, Any]) -> None:
        passphrase = passphrase_of(options["key_file"])
        if options["verify"]:
            for line in table(verify(options["verify"], passphrase)):
                self.stdout.write(line)
            self.stdout.write("The backup is whole.")
            return
        if passphrase is None and not options["unsealed"]:
            raise BackupRefused(
                "It holds data of health: name the file of a passphrase (--key-file or OPTICSHOP_BACKUP_KEY_FILE), "
                "or say --unsealed where the disk itself is encrypted."
            )
        if options["keep"] is not None and options["keep"] < 1:
            raise BackupRefused("At least one backup is kept.")
        to = options["to"] or Path(env.text("OPTICSHOP_BACKUPS") or settings.VAR / "backups")
        made = make(to, passphrase=None if options["unsealed"] else passphrase, keep=options["keep"])
        rows = sum(each["rows"] for each in made.manifest["tables"].values())
        files = len(made.manifest["files"]) - 1
        self.stdout.write(f"{made.path}: {rows} rows, {files} files, {made.size:,} bytes, read back and found whole.")
        for path in made.removed:
            self.stdout.write(f"Removed {path.name}.")


@contextmanager
def refusals_told() -> Iterator[None]:
    """Ends with 1 and a sentence for what was refused, with 128 and its number for a signal."""
    try:
        with stopped_orderly(), put_in_words():
            yield
    except BackupRefused as error:
        raise CommandError(str(error), returncode=1) from error
    except Stopped as stopped:
        said = f"{stopped} Nothing was written and nothing replaced."
        raise CommandError(said, returncode=128 + stopped.number) from stopped


def add_key_file(parser: CommandParser) -> None:
    parser.add_argument(
        "--key-file", type=Path, metavar="FILE", help="Holds the passphrase (OPTICSHOP_BACKUP_KEY_FILE)."
    )


def passphrase_of(key_file: Path | None) -> bytes | None:
    """From the file named, or named by OPTICSHOP_BACKUP_KEY_FILE; None without one. Raises BackupRefused."""
    if key_file is None and (named := env.text("OPTICSHOP_BACKUP_KEY_FILE")):
        key_file = Path(named)
    return None if key_file is None else passphrase_in(key_file)
