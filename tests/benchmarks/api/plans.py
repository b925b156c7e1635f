"""``python -m tests.benchmarks.api.plans --database-url URL``: every statement of ours for each endpoint, its plan.

One request of each kind is made in this process, after two that warm up; each statement it sent is then explained with
its own values (a read is run for it, a write only planned). What reads or sorts many rows is marked ``!``.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import secrets
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from .endpoints import BY_NAME, ENDPOINTS, drawn
from .servers import environment

MANY = 1000
_READS = ("SELECT", "WITH")
_WRITES = ("INSERT", "UPDATE", "DELETE")


def marks(plan: dict[str, Any], many: int = MANY) -> Iterator[str]:
    """What of a plan (EXPLAIN, FORMAT JSON) grows with the data: one line each."""
    kind = plan["Node Type"]
    loops = plan.get("Actual Loops", 1) or 1
    rows = (plan.get("Actual Rows", plan.get("Plan Rows", 0)) or 0) * loops
    removed = sum(plan.get(name, 0) or 0 for name in _REMOVED) * loops
    where = plan.get("Relation Name", plan.get("Index Name", ""))
    if kind == "Seq Scan" and rows + removed > many:
        yield f"reads all of {where}: {rows + removed:.0f} rows"
    elif removed > many:
        yield f"{kind} of {where} reads {removed:.0f} rows that it does not need"
    if kind in ("Sort", "Incremental Sort") and rows_in(plan) > many:
        yield f"sorts {rows_in(plan):.0f} rows by {', '.join(plan.get('Sort Key', []))}"
    for child in plan.get("Plans", []):
        yield from marks(child, many)


_REMOVED = ("Rows Removed by Filter", "Rows Removed by Index Recheck", "Rows Removed by Join Filter")


def rows_in(plan: dict[str, Any]) -> float:
    """Rows that a node is handed."""
    children = plan.get("Plans", [])
    return sum(
        (each.get("Actual Rows", each.get("Plan Rows", 0)) or 0) * (each.get("Actual Loops", 1) or 1)
        for each in children
    )


def shortened(sql: str) -> str:
    """On one line, without the columns that are read."""
    line = _COLUMNS.sub(r"\1... FROM ", " ".join(sql.split()))
    return line if len(line) <= MOST_CHARACTERS else f"{line[:MOST_CHARACTERS]} ..."


_COLUMNS = re.compile(r"(SELECT (?:DISTINCT )?).*? FROM ")
MOST_CHARACTERS = 500


def drawing(plan: dict[str, Any], depth: int = 0) -> Iterator[str]:
    """The plan in short lines."""
    where = " ".join(str(plan[name]) for name in ("Relation Name", "Index Name") if name in plan)
    rows = plan.get("Actual Rows", plan.get("Plan Rows", 0))
    loops = plan.get("Actual Loops", 1)
    yield f"{'  ' * depth}{plan['Node Type']} {where} rows={rows:g}" + (f" x{loops}" if loops > 1 else "")
    for child in plan.get("Plans", []):
        yield from drawing(child, depth + 1)


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--database-url", default=os.environ.get("DATABASE_URL"))
    parser.add_argument("--only", action="append", choices=list(BY_NAME))
    parser.add_argument("--many", type=int, default=MANY, help="rows from which on a read or a sort is marked")
    parser.add_argument("--marked", action="store_true", help="only statements with a mark")
    given = parser.parse_args()
    if not given.database_url or not given.database_url.startswith("postgres"):
        parser.error("--database-url: a PostgreSQL database with generated data")
    os.environ.update(
        environment(given.database_url, Path(tempfile.mkdtemp(prefix="opticshop-plans-")), secrets.token_urlsafe(64))
    )
    del os.environ["PROMETHEUS_MULTIPROC_DIR"]
    import django

    django.setup()
    chosen = [BY_NAME[name] for name in given.only] if given.only else list(ENDPOINTS)
    found = 0
    shops = drawn(given.database_url)
    for endpoint in chosen:
        print(f"\n## {endpoint.name}: {endpoint.requests(shops, 1)[0].path}")
        for number, (sql, plan, took) in enumerate(_explained(endpoint, shops), 1):
            said = [] if plan is None else list(marks(plan, given.many))
            found += len(said)
            if given.marked and not said:
                continue
            timed = "" if took is None else f" (planned in {took[0]:.2f} ms, ran in {took[1]:.2f} ms)"
            print(f"\n{number}. {shortened(sql)}{timed}")
            print("\n".join(f"   ! {each}" for each in said) + "\n" * bool(said), end="")
            print("" if plan is None else "\n".join("   " + line for line in drawing(plan)))
    print(f"\n{found} marks: reads or sorts of more than {given.many} rows.")
    return 0


def _explained(endpoint: Any, shops: Any) -> Iterator[tuple[str, dict[str, Any] | None, tuple[float, float] | None]]:
    from django.db import connection

    for sql, values in _sent(endpoint, shops):
        word = sql.lstrip().split(None, 1)[0].upper()
        is_write = word in _WRITES or "INSERT INTO" in sql
        if not is_write and word not in _READS:
            yield sql, None, None
            continue
        how = "EXPLAIN (FORMAT JSON) " if is_write else "EXPLAIN (ANALYZE, FORMAT JSON) "
        with connection.cursor() as cursor:
            cursor.execute(how + sql, values)
            answer = cursor.fetchone()[0]
        [told] = json.loads(answer) if isinstance(answer, str) else answer
        yield sql, told["Plan"], (told.get("Planning Time", 0.0), told["Execution Time"]) if not is_write else None


def _sent(endpoint: Any, shops: Any) -> list[tuple[str, Any]]:
    """The statements of one request, in order."""
    from django.db import connection
    from django.test import Client

    sent: list[tuple[str, Any]] = []

    def noted(execute: Any, sql: str, params: Any, many: bool, context: Any) -> Any:
        sent.append((sql, params))
        return execute(sql, params, many, context)

    client, seed = Client(), secrets.randbits(30) if endpoint.body else 1
    for asked in endpoint.requests(shops, seed)[:3]:
        sent.clear()
        headers = {"Authorization": _token(shops[asked.shop].branch), "Host": "localhost"}
        with connection.execute_wrapper(noted):
            if asked.body is None:
                answer = client.get(f"/api/v1{asked.path}", headers=headers)
            else:
                headers["Idempotency-Key"] = secrets.token_hex(16)
                answer = client.post(
                    f"/api/v1{asked.path}", asked.body, content_type="application/json", headers=headers
                )
        if answer.status_code >= 300:
            raise RuntimeError(f"{endpoint.name} {asked.path}: {answer.status_code} {answer.content[:500]!r}")
    return sent


_tokens: dict[str, str] = {}


def _token(branch: str) -> str:
    from django.test import Client

    from opticshop.accounts import services
    from opticshop.accounts.services.clients import scopes_of_role
    from opticshop.branches.models import Branch
    from opticshop.core.actor import system

    if branch not in _tokens:
        made = services.service_client_register(
            actor=system("benchmark"),
            name=f"plans {secrets.token_hex(4)}",
            role="counter",
            branch=Branch.objects.get(id=branch),
        )
        form = {"grant_type": "client_credentials", "client_id": made.client_id, "client_secret": made.client_secret}
        answer = Client().post(
            "/oauth/token/", form | {"scope": " ".join(scopes_of_role("counter"))}, headers={"Host": "localhost"}
        )
        _tokens[branch] = f"Bearer {answer.json()['access_token']}"
    return _tokens[branch]


if __name__ == "__main__":
    sys.exit(main())
