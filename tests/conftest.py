"""The standing cast: two branches, a counter clerk, a workshop hand and a manager at the first, an outsider at the
second, head office and a bookkeeper for the group."""

from __future__ import annotations

import datetime as dt
import fcntl
import gc
import inspect
import json
import tempfile
import time
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.db import connection
from django.db.backends.postgresql.operations import DatabaseOperations as PostgresOperations
from django.db.backends.sqlite3.base import DatabaseWrapper
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck
from hypothesis import settings as hypothesis_settings
from rest_framework.test import APIClient

from opticshop.accounts.access import actor_for
from opticshop.accounts.models import Membership, User
from opticshop.branches.models import Branch
from opticshop.core import clock
from opticshop.core.actor import Actor

from . import quick_schema
from .both_ways import compare_both_ways
from .factories import BranchFactory, UserFactory

# A machine that is busy is no fault of the code.
hypothesis_settings.register_profile(
    "busy", parent=hypothesis_settings.default, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
hypothesis_settings.load_profile("busy")

_as_rendered = APIClient.request


def _as_received(client: APIClient, **kwargs: Any) -> Any:
    """``data`` of an answer is what a client receives: the parsed JSON, not what it was made from."""
    response = _as_rendered(client, **kwargs)
    if not response.streaming and response.content and getattr(response, "data", None) is not None:
        kind = response.headers.get("Content-Type", "")
        if kind.startswith(("application/json", "application/problem+json")):
            response.data = json.loads(response.content)
    return response


APIClient.request = _as_received  # type: ignore[method-assign]

NOON = dt.datetime(2026, 3, 2, 12, 0, tzinfo=dt.UTC)  # a Monday


#: Fixtures that let a test at the database.
DATABASE = frozenset({"db", "transactional_db", "live_server", "django_db_setup"})


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--only-database", action="store_true", help="leave out the tests that may not touch the database")
    parser.addoption("--both-ways", action="store_true", help="make every answer by the framework too, and compare")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("--only-database"):
        left_out = [item for item in items if not may_touch_the_database(item)]
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if may_touch_the_database(item)]
    # Those that take longest begin first, or one worker waits at the end while the other finishes them.
    items.sort(key=lambda item: item.name.partition("[")[0] not in LONGEST)


LONGEST = frozenset(
    (
        "test_every_migration_can_be_undone_and_done_again_and_makes_what_the_models_say",
        "test_everybody_due_is_told_once_while_workers_are_killed_and_redis_is_flushed",
        "test_the_landed_installation_comes_up_to_this_version_and_back",
        "test_sixty_four_clients_sell_fifty_scarce_powers_without_a_lie",
        "test_what_was_lost_is_back",
        "test_the_readme_tour_works_as_pasted",
    )
)


def may_touch_the_database(item: pytest.Item) -> bool:
    """Every other test is refused the database by pytest-django, so it is the same on each. One that takes ``request``
    may ask for the database while it runs."""
    is_marked = any(item.get_closest_marker(name) for name in ("django_db", "postgresql"))
    own = inspect.signature(item.obj).parameters if isinstance(item, pytest.Function) else {}
    return is_marked or bool(DATABASE & set(getattr(item, "fixturenames", ()))) or "request" in own


def pytest_collection_finish(session: pytest.Session) -> None:
    """What was collected stays until the end: the garbage collector need not look at it again and again."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 20)


@pytest.fixture
def crowd() -> Iterator[None]:
    """For a test that takes a great part of the connections a PostgreSQL gives (100 by default): one such test at a
    time, whatever number of workers, and only once those who left are gone."""
    if connection.vendor == "sqlite":
        yield
        return
    with (Path(tempfile.gettempdir()) / "opticshop-tests-crowd").open("a") as door:
        fcntl.flock(door, fcntl.LOCK_EX)
        for _ in range(200):
            with connection.cursor() as cursor:
                cursor.execute("SELECT count(*) FROM pg_stat_activity WHERE backend_type = 'client backend'")
                if cursor.fetchone()[0] <= CROWDED:
                    break
            time.sleep(0.05)
        yield


#: Connections of others beside which a crowd of 64 finds room.
CROWDED = 16


@pytest.fixture(autouse=True)
def _both_ways(request: pytest.FixtureRequest) -> Iterator[None]:
    if not request.config.getoption("--both-ways"):
        yield
        return
    with pytest.MonkeyPatch.context() as patch:
        compare_both_ways(patch)
        yield


@pytest.fixture(scope="session")
def django_db_use_migrations() -> bool:
    """The tables are made from the models; see ``tests.quick_schema``."""
    return False


@pytest.fixture(scope="session")
def django_db_setup(django_db_setup: None, django_db_blocker: Any) -> None:
    settings.MIGRATION_MODULES = {}
    with django_db_blocker.unblock():
        quick_schema.finish()


@pytest.fixture(autouse=True)
def steady_clock() -> Iterator[dt.datetime]:
    with clock.at(NOON):
        yield NOON


@pytest.fixture
def mill(db: Any) -> Branch:
    return BranchFactory(id=_fixed("MILL"), code="MILL", name="Millrace Opticians (invented)")


@pytest.fixture
def quay(db: Any) -> Branch:
    return BranchFactory(id=_fixed("QUAY"), code="QUAY", name="Quayside Opticians (invented)")


def member(username: str, role: str, branch: Branch | None, **details: Any) -> User:
    user = UserFactory(id=_fixed(username), username=username, display_name=username.title(), **details)
    Membership.objects.create(user=user, role=role, branch=branch)
    return user


def _fixed(name: str) -> uuid.UUID:
    """The standing cast has the same keys in every test, see ``tests.remembering``."""
    return uuid.uuid5(uuid.NAMESPACE_URL, f"https://opticshop.example/cast/{name}")


@pytest.fixture
def clerk(mill: Branch) -> User:
    return member("clerk", "counter", mill)


@pytest.fixture
def hand(mill: Branch) -> User:
    return member("hand", "workshop", mill)


@pytest.fixture
def manager(mill: Branch) -> User:
    return member("manager", "manager", mill, registration_number="D-00001 (invented)")


@pytest.fixture
def outsider(quay: Branch) -> User:
    return member("outsider", "manager", quay)


@pytest.fixture
def head_office(db: Any) -> User:
    return member("office", "head_office", None)


@pytest.fixture
def bookkeeper(db: Any) -> User:
    return member("books", "bookkeeper", None)


@pytest.fixture
def actor_of() -> Callable[[User], Actor]:
    return actor_for


@pytest.fixture
def api() -> Callable[[User | None], APIClient]:
    """``api(user)`` is a client signed in as that user; ``api(None)`` is nobody."""

    def client_for(user: User | None) -> APIClient:
        client = APIClient()
        if user is not None:
            client.force_authenticate(user)
        return client

    return client_for


@pytest.fixture
def queries() -> Callable[[Callable[[], Any]], int]:
    """How many queries a call makes."""

    def count(call: Callable[[], Any]) -> int:
        with CaptureQueriesContext(
            connection,
        ) as captured:
            call()
        return len(captured)

    return count


def _flush_lifting_triggers(plain: Callable[..., list[str]]) -> Callable[..., list[str]]:
    """Between transactional tests SQLite empties tables with DELETE, which the sealed ledger refuses; PostgreSQL
    truncates, which the audit trail refuses. So the triggers that refuse are lifted for that moment and put back. Those
    that write the trail may go on writing: its tables are emptied last."""

    def flush(self: Any, style: Any, tables: Any, **options: Any) -> list[str]:
        with self.connection.cursor() as cursor:
            cursor.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
            triggers = [(name, sql) for name, sql in cursor.fetchall() if "_audited_" not in name]
        emptied = sorted(plain(self, style, tables, **options), key=lambda statement: "audit_" in statement)
        return [*(f'DROP TRIGGER "{name}"' for name, _ in triggers), *emptied, *(sql for _, sql in triggers)]

    flush.lifts_triggers = True  # type: ignore[attr-defined]
    return flush


def _flush_lifting_guards(plain: Callable[..., list[str]]) -> Callable[..., list[str]]:
    """The same on PostgreSQL, and only the tables that hold rows: to truncate all of them takes seconds."""

    def flush(self: Any, style: Any, tables: Any, **options: Any) -> list[str]:
        if not tables:
            return []
        asked = " UNION ALL ".join(f"SELECT '{table}' WHERE EXISTS (SELECT FROM \"{table}\")" for table in tables)
        with self.connection.cursor() as cursor:
            cursor.execute(asked)
            filled = [table for (table,) in cursor.fetchall()]
        return [
            *(f'ALTER TABLE "{table}" DISABLE TRIGGER USER' for table in filled),
            *(f'DELETE FROM "{table}"' for table in filled),
            "SET CONSTRAINTS ALL IMMEDIATE",  # the foreign keys are looked at before the triggers come back
            *(f'ALTER TABLE "{table}" ENABLE TRIGGER USER' for table in filled),
        ]

    flush.lifts_triggers = True  # type: ignore[attr-defined]
    return flush


if not hasattr(PostgresOperations.sql_flush, "lifts_triggers"):
    PostgresOperations.sql_flush = _flush_lifting_guards(PostgresOperations.sql_flush)  # type: ignore[method-assign]
if not hasattr(DatabaseWrapper.ops_class.sql_flush, "lifts_triggers"):
    DatabaseWrapper.ops_class.sql_flush = _flush_lifting_triggers(DatabaseWrapper.ops_class.sql_flush)  # type: ignore[method-assign]
