"""How a process connects to PostgreSQL: how many connections, and how long anything may take (docs/running.md)."""

from __future__ import annotations

from typing import Any

from . import env
from .pooled import Connection


def connection(*, writes: bool) -> dict[str, Any]:
    """What stands beside the address in ``DATABASES``.

    The limits of time are those of the kind of process: ``config/wsgi.py`` sets the one of statements, so that a
    request ends; jobs and commands have none, because a migration or a count of the night may take longer.
    """
    limits: dict[str, Any] = {
        "statement_timeout": env.number("OPTICSHOP_DB_STATEMENT_MS", 0),
        # Whoever begins a transaction and then does nothing holds its locks and holds up the vacuum.
        "idle_in_transaction_session_timeout": env.number("OPTICSHOP_DB_IDLE_MS", 120_000),
        # What is looked up by key lies in memory or on a disk without arms. PostgreSQL's own 4.0 has it read all people
        # of the group to name the two who worked on a job.
        "random_page_cost": env.text("OPTICSHOP_DB_RANDOM_PAGE_COST", "1.1"),
        # What is prepared (``core/reading.py``) is planned once, for any value. Left to choose, PostgreSQL plans it
        # five times more on each connection, and what compares with a list of keys every time.
        "plan_cache_mode": "force_generic_plan",
    }
    if not writes:
        limits["default_transaction_read_only"] = 1
    return {
        "OPTIONS": {
            # The pool tries again after 1, 2, 4 ... s until reconnect_timeout is over, and then with the next request.
            # Left at its 5 minutes, a database that is back stays unused for as long as it was away.
            "pool": {
                "connection_class": Connection,
                "min_size": 1 if writes else 0,
                "max_size": env.number(
                    "OPTICSHOP_DB_POOL" if writes else "OPTICSHOP_DB_REPLICA_POOL", 8 if writes else 2
                ),
                "timeout": 2,
                "reconnect_timeout": 2,
                # A connection that nobody has used for so long is given back to the server, and none grows old.
                "max_idle": env.number("OPTICSHOP_DB_POOL_IDLE_SECONDS", 300),
                "max_lifetime": env.number("OPTICSHOP_DB_POOL_LIFETIME_SECONDS", 3600),
            },
            # A statement that a connection has seen so often is prepared there (``core/reading.py``).
            "prepare_threshold": env.number("OPTICSHOP_DB_PREPARE_AFTER", 3) or None,
            "connect_timeout": 5 if writes else 2,
            "options": " ".join(f"-c {name}={value}" for name, value in limits.items()),
            "application_name": env.text("OPTICSHOP_PROCESS", "opticshop"),
        },
        # A connection that a restart of the database has cut is found before it is handed out.
        "CONN_HEALTH_CHECKS": True,
    }
