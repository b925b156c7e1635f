"""What was handed to the mail server already: SMTP has no idempotency key, so this machine remembers.

One small SQLite file. A message is claimed before the mail server hears of it; what came of it is written after. A
claim without an outcome means that the process ended in between: the mail may have left. The file holds no address.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

from opticshop.plugin_api import SendOutcome

DIRECTORY_VARIABLE = "OPTICSHOP_MESSAGES_DIR"
DEFAULT_DIRECTORY = Path("var") / "messages"
FILE = "mail-channel.sqlite3"

KEPT = timedelta(days=400)
"""Nobody hands over a message again after so long."""

_TABLE = """
CREATE TABLE IF NOT EXISTS handed_over (
    id TEXT PRIMARY KEY, claimed_at TEXT NOT NULL, state TEXT, reference TEXT, detail TEXT
) WITHOUT ROWID
"""
_INDEX = "CREATE INDEX IF NOT EXISTS handed_over_claimed_at ON handed_over (claimed_at)"


class Journal:
    """Raises `sqlite3.Error` or `OSError` where the file cannot be used."""

    def __init__(self, database: sqlite3.Connection) -> None:
        self._database = database

    def claim(self, message_id: str) -> SendOutcome | None:
        """None: nobody handed it over yet, and now it is yours. Otherwise what came of it, "unknown" while open."""
        now = datetime.now(UTC)
        self._database.execute("DELETE FROM handed_over WHERE claimed_at < ?", [(now - KEPT).isoformat()])
        claimed = self._database.execute(
            "INSERT INTO handed_over (id, claimed_at) VALUES (?, ?) ON CONFLICT DO NOTHING",
            [message_id, now.isoformat()],
        )
        if claimed.rowcount == 1:
            return None
        row = self._database.execute(
            "SELECT state, reference, detail FROM handed_over WHERE id = ?", [message_id]
        ).fetchone()
        if row is None or row[0] is None:
            return SendOutcome(state="unknown", detail="An earlier attempt did not say how it ended.")
        return SendOutcome(state=row[0], provider_reference=row[1], detail=row[2])

    def settle(self, message_id: str, outcome: SendOutcome) -> None:
        """Write what came of it; a message that may be tried again is forgotten."""
        if outcome.state == "retry":
            self._database.execute("DELETE FROM handed_over WHERE id = ?", [message_id])
            return
        self._database.execute(
            "UPDATE handed_over SET state = ?, reference = ?, detail = ? WHERE id = ?",
            [outcome.state, outcome.provider_reference, outcome.detail, message_id],
        )


@contextmanager
def opened() -> Iterator[Journal]:
    """The journal of this machine, every change of it durable at once."""
    directory = Path(os.environ.get(DIRECTORY_VARIABLE, DEFAULT_DIRECTORY))
    directory.mkdir(parents=True, exist_ok=True)
    with closing(sqlite3.connect(directory / FILE, timeout=10, isolation_level=None)) as database:
        database.execute("PRAGMA journal_mode = WAL")
        database.execute("PRAGMA synchronous = FULL")
        database.execute(_TABLE)
        database.execute(_INDEX)
        yield Journal(database)
