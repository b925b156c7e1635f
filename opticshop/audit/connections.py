"""How the triggers learn who acts: SQLite asks this process, PostgreSQL reads a setting of the transaction.

The setting is written before the first statement of a transaction that may write, and again when another actor takes
over. It is local to the transaction, so a pooled connection carries it to nobody. A statement outside a transaction
finds it set for the session, and it is cleared right after.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable
from typing import Any

from django.db.backends.base.base import BaseDatabaseWrapper

from opticshop.core import acting, reading

SETTING = "opticshop.trace"
#: What stands for a value that the trail is not to tell.
ERASED = "erased"
#: What cannot write, or steers a transaction, or writes a read into the trail, which names its actor itself.
_HARMLESS = re.compile(
    r"\s*(SELECT|SAVEPOINT|RELEASE|SET|SHOW|EXPLAIN|FETCH|DECLARE|CLOSE|WITH shown AS \(INSERT INTO audit_auditread)\b",
    re.IGNORECASE,
)
_UNDOES = re.compile(r"\s*ROLLBACK\b", re.IGNORECASE)
_IDLE, _IN_ERROR = 0, 3
#: Where a connection keeps the cursor that tells it.
_TELLS = "_opticshop_telling"


def prepare(connection: BaseDatabaseWrapper) -> None:
    """Called for each new connection to the database."""
    if connection.vendor == "sqlite":
        raw: Any = connection.connection
        raw.create_function("opticshop_trace", 1, _fact)
        raw.create_function("opticshop_sha256", 1, _sha256, deterministic=True)
        raw.create_function("opticshop_told", 1, _told)
    elif connection.vendor == "postgresql":
        wrappers = connection.execute_wrappers
        wrappers[:] = [each for each in wrappers if not isinstance(each, Telling)]
        wrappers.append(Telling())


def _fact(name: str) -> str | None:
    value = acting.current().fact(name)
    return value.replace("-", "") if name == "actor_id" and value else value  # as Django keeps a UUID in SQLite


def _told(values: str | None) -> str | None:
    """The columns of a row with what they hold, or only which they are."""
    if values is None or not acting.are_untold():
        return values
    return json.dumps(dict.fromkeys(json.loads(values), ERASED), separators=(",", ":"))


def _sha256(value: bytes | None) -> str | None:
    return None if value is None else "sha256 " + hashlib.sha256(value).hexdigest()


class Telling:
    """Tells PostgreSQL who acts, through the driver itself: it is plumbing, not one of the queries of a use case."""

    #: What only reads, and stands in no transaction, need not pass here.
    is_about_transactions = True

    def __init__(self) -> None:
        self.told: str | None = None

    def __call__(self, execute: Callable[..., Any], sql: str, params: Any, many: bool, context: dict[str, Any]) -> Any:
        raw = context["connection"].connection
        status = raw.info.transaction_status
        if status == _IDLE:
            self.told = None
        if _UNDOES.match(sql):
            self.told = None
        elif status != _IN_ERROR and not _HARMLESS.match(sql):
            return self._telling(context["connection"], lambda: execute(sql, params, many, context))
        return execute(sql, params, many, context)

    def _telling(self, connection: Any, run: Callable[[], Any]) -> Any:
        raw, text = connection.connection, _text()
        if raw.autocommit and raw.info.transaction_status == _IDLE:
            _set(connection, text, local=False)
            try:
                return run()
            finally:
                if raw.info.transaction_status == _IDLE:
                    _set(connection, "", local=False)
        if text != self.told:
            _set(connection, text, local=True)
            self.told = text
        return run()


def _text() -> str:
    trace = acting.current()
    if acting.are_untold():
        return json.dumps(trace.as_facts() | {"untold": ERASED}, separators=(",", ":"))
    if not trace.written:
        trace.written = json.dumps(trace.as_facts(), separators=(",", ":"))
    return trace.written


def _set(connection: Any, text: str, *, local: bool) -> None:
    cursor = reading.kept_cursor(connection, _TELLS, prepares=True)
    cursor.execute("SELECT set_config(%s, %s, %s)", [SETTING, text, local])
