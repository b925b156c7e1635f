"""Reports read from a copy of the database: two databases of one PostgreSQL, told apart by what is in them."""

from __future__ import annotations

import datetime as dt
import subprocess

import pytest
from django.db import OperationalError, connection, connections, transaction
from django.test.utils import CaptureQueriesContext

from opticshop.branches.models import Branch
from opticshop.config.backup import postgresql
from opticshop.core import clock, replica
from opticshop.core.actor import system
from opticshop.core.leases import run_leased
from opticshop.core.models import DutyRun
from opticshop.reminders.figures import recall_figures
from tests.factories import BranchFactory

HERE, THERE = "at home", "in the copy"


def test_without_a_copy_everything_is_read_where_it_is_written(db):
    with replica.reading_from_replica() as alias:
        assert alias == "default"
        assert Branch.objects.count() == 0
    assert replica.read_from_replica(Branch.objects.count) == 0


def on_postgresql(test):
    test = pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite is not copied")(test)
    return pytest.mark.django_db(transaction=True, databases=["default", "replica"])(test)


@pytest.fixture(scope="module")
def second(django_db_setup, django_db_blocker):
    """Settings of a second database with the tables of the first."""
    with django_db_blocker.unblock():
        first = connection.settings_dict
        settings = first | {"NAME": f"{first['NAME']}_copy"}
        postgresql.drop(settings)
        postgresql.create(settings)
        shape = postgresql.conninfo.make_conninfo(**postgresql.parameters(first, options=""))
        made = subprocess.run(
            [postgresql.tool("pg_dump"), "--schema-only", "--no-owner", shape], check=True, capture_output=True
        ).stdout
        lines = b"\n".join(line for line in made.splitlines() if not line.startswith(b"\\"))
        with postgresql.psycopg.connect(**postgresql.parameters(settings), autocommit=True) as opened:
            opened.execute(lines)
        connections.databases["replica"] = settings
        yield settings
        connections["replica"].close()
        del connections["replica"]
        del connections.databases["replica"]
        postgresql.drop(settings)


@pytest.fixture
def copy(second, db, settings):
    """The second database as the copy, in which a branch has another name and a duty has just run."""
    settings.DATABASE_ROUTERS = ["opticshop.core.replica.ReplicaRouter"]
    replica.forget()
    branch = BranchFactory(name=HERE)
    copied = connections["replica"]
    with copied.cursor() as cursor:
        cursor.execute("DELETE FROM branches_branch; DELETE FROM core_dutyrun")
    branch.name = THERE
    branch.save_base(using="replica", force_insert=True)
    DutyRun.objects.using("replica").create(name="audit.seal", last_finished_at=clock.now())
    branch.name = HERE
    yield branch
    replica.forget()


def name_of(branch) -> str:
    return Branch.objects.get(pk=branch.pk).name


def ran(ago: float) -> None:
    DutyRun.objects.using("replica").update(last_finished_at=clock.now() - dt.timedelta(seconds=ago))
    replica.forget()


@on_postgresql
def test_a_report_that_asks_for_it_reads_from_the_copy_and_nothing_else_does(copy):
    assert name_of(copy) == HERE
    with replica.reading_from_replica() as alias:
        assert alias == "replica"
        assert name_of(copy) == THERE
        assert replica.read_from_replica(lambda: name_of(copy)) == THERE
    assert name_of(copy) == HERE
    assert replica.reading_from_replica()(name_of)(copy) == THERE, "as a decorator"


@on_postgresql
def test_a_real_report_asks_the_copy_alone(copy):
    today = clock.now().date()
    with (
        CaptureQueriesContext(connections["replica"]) as there,
        CaptureQueriesContext(connection) as here,
        replica.reading_from_replica(),
    ):
        recall_figures(system("test"), None, today - dt.timedelta(days=30), today)
    assert len(there) > 0
    assert len(here) == 0


@on_postgresql
def test_nothing_is_read_from_it_within_a_transaction(copy):
    with transaction.atomic():
        Branch.objects.filter(pk=copy.pk).update(name="just changed")
        with replica.reading_from_replica() as alias:
            assert alias == "default"
            assert name_of(copy) == "just changed"
    with replica.reading_from_replica():
        assert name_of(copy) == THERE
        with transaction.atomic():  # begun within: the service that writes sees what it wrote
            Branch.objects.filter(pk=copy.pk).update(name="changed again")
            assert name_of(copy) == "changed again"


@on_postgresql
def test_what_came_from_it_is_written_where_everybody_writes(copy):
    with replica.reading_from_replica():
        found = Branch.objects.get(pk=copy.pk)
        assert found._state.db == "replica"
        found.name = "renamed"
        found.save(update_fields=["name"])
    assert name_of(copy) == "renamed"
    assert Branch.objects.using("replica").get(pk=copy.pk).name == THERE
    found.refresh_from_db()
    assert found.name == "renamed", "outside, a row that came from the copy is read at home"


@on_postgresql
@pytest.mark.parametrize(("seconds", "name"), [(29, THERE), (31, HERE), (3600, HERE)])
def test_a_copy_that_is_too_far_behind_is_not_read_from(copy, settings, seconds, name):
    assert settings.OPTICSHOP_REPLICA_LAG_SECONDS == 30
    ran(ago=seconds)
    assert replica.state().lag == seconds
    with replica.reading_from_replica():
        assert name_of(copy) == name


@on_postgresql
def test_a_copy_in_which_no_duty_ever_ran_is_not_read_from(copy):
    DutyRun.objects.using("replica").all().delete()
    replica.forget()
    with replica.reading_from_replica():
        assert name_of(copy) == HERE


@on_postgresql
def test_a_copy_that_is_away_is_not_read_from_and_is_not_asked_at_every_request(copy, monkeypatch):
    connections["replica"].close()
    monkeypatch.setitem(connections["replica"].settings_dict, "NAME", "nobody_made_this")
    replica.forget()
    tries = []
    monkeypatch.setattr(replica, "_lag", lambda plain=replica._lag: tries.append(1) or plain())
    for _ in range(5):
        with replica.reading_from_replica():
            assert name_of(copy) == HERE
    assert len(tries) == 1


@on_postgresql
def test_a_copy_that_breaks_off_in_the_midst_is_read_once_more_at_home(copy):
    seen = []

    def read():
        seen.append(replica.chosen())
        if seen == ["replica"]:
            connections["replica"].close()
            raise OperationalError("server closed the connection unexpectedly")
        return name_of(copy)

    assert replica.read_from_replica(read) == HERE
    assert seen == ["replica", "default"]
    with replica.reading_from_replica():
        assert name_of(copy) == HERE, "for a few seconds it is not asked"


@on_postgresql
def test_an_error_of_the_report_itself_is_told(copy):
    with pytest.raises(ZeroDivisionError):
        replica.read_from_replica(lambda: 1 // 0)


@on_postgresql
def test_duties_write_how_new_the_database_is(copy):
    """What lag is measured by: the end of the run of some duty, every few seconds."""
    run_leased("audit.seal")
    assert DutyRun.objects.get(name="audit.seal").last_finished_at == clock.now()


@on_postgresql
def test_the_metrics_tell_how_far_the_copy_is_behind(copy, client):
    ran(ago=7)
    said = client.get("/metrics").content.decode()
    assert "opticshop_replica_lag_seconds 7.0" in said
    assert "opticshop_replica_fit 1.0" in said
    ran(ago=70)
    assert "opticshop_replica_fit 0.0" in client.get("/metrics").content.decode()
