"""An installation of the first landed version comes up to this one, on PostgreSQL also back: nothing of it is lost.

``tests/upgrade`` holds that installation: the demo's data, written by the code of then on both databases, and what it
answered. Whoever changes old rows or an old answer on purpose says so in ``CHANGED`` with the reason.
"""

from __future__ import annotations

import hashlib
import re
import sqlite3
import sys
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command
from django.db import connection
from django.db.migrations.executor import MigrationExecutor
from django.db.migrations.loader import MigrationLoader

from opticshop.accounts.models import User
from opticshop.audit.proof import findings
from opticshop.audit.triggers import install
from opticshop.config.backup import postgresql, sqlite
from opticshop.config.backup.digests import Kinds, Source, row_digests
from opticshop.core import clock
from opticshop.ledger.selectors import ledger_findings
from tests.contracts.test_contracts_migrations import schema
from tests.upgrade import landed

pytestmark = pytest.mark.django_db

#: "table" or "table.column" -> why its old rows are not as they were. A column that is gone must stand here, too.
CHANGED: dict[str, str] = {
    "oauth2_provider_accesstoken.token": "only the digest of a token is kept",
    "oauth2_provider_refreshtoken.token": "only the digest of a token is kept",
    "oauth2_provider_grant": "lives a minute; those of before are given up",
    "django_session": "people sign in anew",
}
#: "address#/pointer/to/a/value" -> why an answer of then is another one now; * stands for any one step.
ANSWERED_OTHERWISE: dict[str, str] = {}

Rows = dict[str, Counter[bytes]]


def test_landed_migrations_are_never_edited():
    """What an installation has run must stay what it ran: the files are those of the landed version, byte for byte."""
    loader = MigrationLoader(None)
    for key, sha256 in landed.FACTS["files"].items():
        migration = loader.disk_migrations[tuple(key.split("/"))]
        file = Path(sys.modules[migration.__module__].__file__ or "")
        assert hashlib.sha256(file.read_bytes()).hexdigest() == sha256, key


def test_the_landed_installation_comes_up_to_this_version_and_back(tmp_path, api):
    wanted = schema()
    with landed.in_place(tmp_path):
        shape, kinds, before = schema(), columns(), rows()
        assert len(before["orders_order"]) == 1
        assert len(before["ledger_line"]) > 5

        call_command("migrate", verbosity=0)
        assert nothing_lost(kinds, before) == []
        assert [str(each) for each in ledger_findings()] == []
        assert [str(each) for each in findings()] == []
        assert not_valid() == []
        assert plainly(schema()) == plainly(wanted)
        assert otherwise(api) == []

        if connection.vendor == "sqlite":
            return  # back is the way of the same operations, and is gone once, with rows, on PostgreSQL
        back_to_landed()
        assert plainly(schema()) == plainly(shape)
        assert nothing_lost(kinds, before) == []
        assert not_valid() == []


def plainly(found: dict[str, Any]) -> dict[str, Any]:
    """PostgreSQL writes casts and brackets otherwise where a definition has been through a dump."""
    casts = r"::[a-z ]+(\[\])?|[()\s]"
    return {name: re.sub(casts, "", made) if isinstance(made, str) else made for name, made in found.items()}


@contextmanager
def source() -> Iterator[Source]:
    if connection.vendor == "sqlite":
        with closing(sqlite3.connect(connection.settings_dict["NAME"])) as opened:
            yield sqlite.SqliteSource(opened)
    else:
        with postgresql.snapshot(connection.settings_dict) as (found, _):
            yield found


def columns() -> dict[str, Kinds]:
    with source() as found:
        return found.tables()


def rows(kinds: dict[str, Kinds] | None = None) -> Rows:
    """The digest of each row, over the columns that are asked for."""
    with source() as found:
        there = found.tables()
        return {
            table: Counter(row_digests(found, table, there[table], only=kept(table, (kinds or there)[table])))
            for table in there
            if kinds is None or table in kinds
        }


def kept(table: str, kinds: Kinds) -> list[str]:
    return [column for column in kinds if f"{table}.{column}" not in CHANGED]


def nothing_lost(kinds: dict[str, Kinds], before: Rows) -> list[str]:
    """Tables in which a row of then is not there any more, or is another one. New rows are welcome."""
    now, there = rows(kinds), columns()
    lost = [table for table in before if table not in there and table not in CHANGED]
    lost += [
        f"{table}.{column}"
        for table, found in kinds.items()
        for column in kept(table, found)
        if table in there and column not in there[table] and table not in CHANGED
    ]
    lost += [
        f"{table}: {(old - now[table]).total()} of {old.total()} rows are not as they were"
        for table, old in before.items()
        if table in now and table not in CHANGED and old - now[table]
    ]
    return lost


def not_valid() -> list[str]:
    """Constraints that old rows break, or that were never looked at."""
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute("PRAGMA integrity_check")  # the checks and what must not be NULL as well
            found = [row[0] for row in cursor.fetchall() if row[0] != "ok"]
            cursor.execute("PRAGMA foreign_key_check")
        else:
            found = []
            # Of a foreign key to a table in partitions, what is proved is told by the key itself, not by its parts.
            cursor.execute("SELECT conname FROM pg_constraint WHERE NOT convalidated AND conparentid = 0")
        return found + [str(row) for row in cursor.fetchall()]


def otherwise(api: Any) -> list[str]:
    """What was answered then and is not answered any more. What is answered besides is welcome."""
    with clock.at(landed.moment()):
        client = api(User.objects.get(username="curlew"))
        different: list[str] = []
        for address, said in landed.answers().items():
            answer = client.get(address)
            assert answer.status_code == 200, (address, answer.content)
            different += [each for each in differences(said, answer.json(), f"{address}#") if not allowed(each)]
        return different


def differences(then: Any, now: Any, where: str) -> Iterator[str]:
    if isinstance(then, dict) and isinstance(now, dict):
        for key, value in then.items():
            if key not in now:
                yield f"{where}/{key}"
            else:
                yield from differences(value, now[key], f"{where}/{key}")
    elif isinstance(then, list) and isinstance(now, list) and len(then) == len(now):
        for place, (one, other) in enumerate(zip(then, now, strict=True)):
            yield from differences(one, other, f"{where}/{place}")
    elif then != now:
        yield where


def allowed(where: str) -> bool:
    steps = where.split("/")
    return any(
        len(steps) == len(other := pattern.split("/"))
        and all(theirs in ("*", ours) for ours, theirs in zip(steps, other, strict=True))
        for pattern in ANSWERED_OTHERWISE
    )


def back_to_landed() -> None:
    """As ``migrate`` does it app by app, in one plan."""
    executor = MigrationExecutor(connection)
    apps = {app for app, _ in executor.loader.graph.leaf_nodes()}
    executor.migrate([(app, landed.LEAVES.get(app)) for app in sorted(apps)])
    install(connection)
