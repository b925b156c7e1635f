"""The same on PostgreSQL: a dump in the snapshot that its digests are of, restored into a database of its own."""

from __future__ import annotations

import shutil
import subprocess
import threading
from io import StringIO
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command
from django.db import connection

from opticshop.audit.sealing import seal_due
from opticshop.config.backup import databases, making, postgresql
from opticshop.config.backup.digests import digests
from opticshop.core import outbox
from tests.orders.conftest import world
from tests.quality.conftest import pay
from tests.workshop.conftest import order

__all__ = ["order", "world"]

pytestmark = [
    pytest.mark.postgresql,
    pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite has a test of its own"),
    pytest.mark.skipif(
        shutil.which("pg_dump") is None or shutil.which("pg_restore") is None, reason="needs pg_dump and pg_restore"
    ),
]
ROOT = Path(__file__).resolve().parents[2]
SETTLED = {"integrations_feedhead", "audit_auditentry"}


def manage(*arguments):
    out = StringIO()
    call_command(*map(str, arguments), stdout=out)
    return out.getvalue()


@pytest.fixture
def files(tmp_path, settings, monkeypatch):
    settings.MEDIA_ROOT = tmp_path / "var" / "media"
    monkeypatch.setenv("OPTICSHOP_MESSAGES_DIR", str(tmp_path / "var" / "messages"))


@pytest.fixture
def elsewhere():
    """Settings of a database that is not there yet, and is gone afterwards with whatever was kept aside."""
    settings = connection.settings_dict | {"NAME": f"{connection.settings_dict['NAME']}_restored"}
    postgresql.drop(settings)
    yield settings
    with postgresql._beside(settings) as server:
        names = server.execute(
            "SELECT datname FROM pg_database WHERE starts_with(datname, %s)", [settings["NAME"]]
        ).fetchall()
    for (name,) in names:
        postgresql.drop(settings | {"NAME": name})


def held(settings):
    with postgresql.snapshot(settings) as (source, _):
        return digests(source)


@pytest.mark.django_db(transaction=True)
def test_what_was_lost_is_back(tmp_path, files, elsewhere, api, clerk, order, monkeypatch):
    pay(api(clerk), order, "100.00")
    outbox.deliver_all()
    assert seal_due() > 0
    addresses = [f"/api/v1/orders/{order['id']}/", f"/api/v1/balances/{order['id']}/", "/api/v1/stock/"]
    answers = [api(clerk).get(each).content for each in addresses]

    # Somebody sells on while the dump is made: it is of the moment in which its digests are, and not of a later one.
    plain = postgresql.dump

    def meanwhile(*arguments):
        pay_on = threading.Thread(target=_number_orders, args=("after the snapshot",))
        pay_on.start()
        pay_on.join()
        plain(*arguments)

    before = held(connection.settings_dict)
    monkeypatch.setattr(postgresql, "dump", meanwhile)
    made = making.make(tmp_path / "backups", passphrase=None)
    assert held(connection.settings_dict)["orders_order"] != before["orders_order"]
    assert made.manifest["tables"]["orders_order"]["sha256"] == before["orders_order"].sha256

    with databases.in_place_of_default(elsewhere):
        said = manage("restore", made.path)
        assert "The ledger and the audit trail hold." in said
        after = held(elsewhere)
        assert {table for table in before.keys() | after.keys() if before.get(table) != after.get(table)} == SETTLED
        assert [api(clerk).get(each).content for each in addresses] == answers
        with pytest.raises(CommandError, match="--replace"):
            manage("restore", made.path)
        with postgresql.snapshot(elsewhere), pytest.raises(CommandError, match="Stop the service"):
            manage("restore", made.path, "--replace")
        said = manage("restore", made.path, "--replace")
        [kept] = [line.split()[-1] for line in said.splitlines() if "Kept aside" in line and "_restored.before" in line]
        assert held(elsewhere | {"NAME": kept})["orders_order"] == before["orders_order"]


def _number_orders(number):
    with connection.cursor() as cursor:
        cursor.execute("UPDATE orders_order SET number = %s", [number])
    connection.close()


def test_the_documented_flow_without_our_command(tmp_path, elsewhere, django_db_setup, django_db_blocker):
    """The lines of docs/backups.md under "By hand" as they stand there, with the names of this database."""
    text = (ROOT / "docs" / "backups.md").read_text(encoding="utf-8")
    block = text.split("## PostgreSQL by hand", 1)[1].split("```sh\n", 1)[1].split("```", 1)[0]
    with django_db_blocker.unblock():
        given = postgresql.parameters(connection.settings_dict)
        connection.close()
    environment = {
        "PATH": f"{Path(postgresql.tool('pg_dump')).parent}:/usr/bin:/bin",
        "PGHOST": given.get("host", "127.0.0.1"),
        "PGPORT": str(given.get("port", 5432)),
        "PGUSER": given.get("user", ""),
        "PGPASSWORD": given.get("password", ""),
        "FROM": given["dbname"],
        "INTO": elsewhere["NAME"],
        "FILE": str(tmp_path / "opticshop.dump"),
    }
    done = subprocess.run(
        ["sh", "-euc", block], env=environment, cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert held(elsewhere) == held(connection.settings_dict | {"NAME": given["dbname"]})
