"""Each row is applied once: after a crash in the middle, a stop, and with several workers at once."""

from __future__ import annotations

import threading
from collections import Counter
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.db import connection, connections

from opticshop.core import clock
from opticshop.core.duties import run_duty
from opticshop.core.errors import Busy
from opticshop.core.models import OutboxEvent
from opticshop.customers.models import Customer
from opticshop.imports import services
from opticshop.imports.kinds import KINDS
from opticshop.imports.services import rows as one_row
from opticshop.prescriptions.models import Prescription
from opticshop.stock.models import Lot, Movement
from tests.conftest import NOON
from tests.factories import FrameFactory
from tests.imports.conftest import URL, codes, csv_of, done, files, rows, sent

HEAD = "Ref,First name,Surname"


def people():
    return Counter(Customer.objects.everywhere("test").values_list("given_name", flat=True))


def file_of(count, keys=True):
    return csv_of(HEAD, *(f"{n if keys else ''},P{n},Alder{n} (invented)" for n in range(count)))


@pytest.fixture
def started(api, head_office, mill):
    def start(content, kind="customers"):
        file = done(sent(api(head_office), mill, content, kind), 201)
        done(api(head_office).post(f"{URL}{file['id']}/run/", {}))
        return files()[-1]

    return start


def test_files_of_before_do_not_bring_an_erased_person_back_nor_what_they_say_of_them(ran):
    """GDPR, article 17: the key of the other system stays for this, the cells of the rows do not."""
    ran(file_of(2))
    gone = Customer.objects.everywhere("test").get(given_name="P1")
    Customer.objects.everywhere("test").filter(id=gone.id).update(given_name="(erased)", erased_at=clock.now())
    ran(csv_of(HEAD, "1,P1,Alder1 (invented)", "7,P7,Alder7 (invented)"))
    papers = csv_of(
        "customer_external_id,customer,issued_on,prescriber_name,right_sphere_dpt,left_sphere_dpt",
        "1,,2026-01-05,R. Sorrel (invented),-1.00,-1.25",
        f",{gone.id},2026-01-05,R. Sorrel (invented),-1.00,-1.25",
    )
    ran(papers, "prescriptions")
    assert people() == Counter({"(erased)": 1, "P0": 1, "P7": 1})
    told = {(row.state, row.cells == []) for row in rows()}
    assert told == {("done", True), ("skipped", True)}
    assert codes() == ["imports.already_there", "customers.erased", "customers.erased"]
    assert not Prescription.objects.everywhere("test").exists()


def fail_at(monkeypatch, number, error, times=1):
    """The service raises ``error`` in the transaction of the row with this number, after its effect."""
    apply, left = KINDS["customers"].apply, [times]

    def failing(job, values):
        made = apply(job, values)
        if job.row == number and left[0]:
            left[0] -= 1
            raise error
        return made

    monkeypatch.setattr(one_row, "KINDS", {"customers": _With(KINDS["customers"], failing)})


class _With:
    """A kind with another apply."""

    def __init__(self, kind, apply):
        self._kind, self.apply = kind, apply

    def __getattr__(self, name):
        return getattr(self._kind, name)


@pytest.mark.django_db
def test_a_failure_in_one_row_leaves_it_pending_and_the_next_run_goes_on(monkeypatch, started):
    started(file_of(8))
    fail_at(monkeypatch, 5, RuntimeError("boom"))
    assert run_duty("imports.apply") == 3
    assert [row.state for row in rows()] == ["done"] * 3 + ["pending"] * 5
    assert (people(), OutboxEvent.objects.filter(type="customers.registered").count()) == (
        Counter({"P0": 1, "P1": 1, "P2": 1}),
        3,
    )
    assert run_duty("imports.apply") == 5
    assert people() == Counter({f"P{n}": 1 for n in range(8)})
    assert OutboxEvent.objects.filter(type="customers.registered").count() == 8
    assert files()[0].state == "done"


@pytest.mark.django_db
def test_a_poisonous_row_fails_in_the_end_and_holds_nobody_up(monkeypatch, started):
    started(file_of(4))
    fail_at(monkeypatch, 3, RuntimeError("boom"), times=99)
    for _ in range(3):
        run_duty("imports.apply")
    assert [row.state for row in rows()] == ["done", "failed", "done", "done"]
    assert codes() == ["imports.unforeseen"]
    assert files()[0].state == "done"


@pytest.mark.django_db
def test_busy_rows_wait_without_being_counted(monkeypatch, started):
    started(file_of(3))
    fail_at(monkeypatch, 3, Busy(), times=5)
    for _ in range(5):
        run_duty("imports.apply")
    assert [(row.state, row.attempts) for row in rows()] == [("done", 0), ("pending", 0), ("pending", 0)]
    run_duty("imports.apply")
    assert people() == Counter({"P0": 1, "P1": 1, "P2": 1})


@pytest.mark.django_db(transaction=True)
def test_a_process_that_dies_in_the_middle_leaves_no_row_half_done(monkeypatch, started):
    file = started(file_of(40))
    fail_at(monkeypatch, 34, KeyboardInterrupt())
    with pytest.raises(KeyboardInterrupt):
        services.imports_apply()
    states = Counter(row.state for row in rows())
    assert states == Counter({"done": 25, "pending": 15})
    assert len(people()) == 25
    call_command("import_run", str(file.id), stdout=StringIO())
    assert people() == Counter({f"P{n}": 1 for n in range(40)})
    assert OutboxEvent.objects.filter(type="customers.registered").count() == 40


@pytest.mark.django_db
def test_a_stop_takes_hold_between_rows_and_can_be_run_on(api, head_office, started):
    file = started(file_of(30))
    services.chunk_apply(file.id, most=10)
    stopped = done(api(head_office).post(f"{URL}{file.id}/cancel/", {}))
    assert (stopped["state"], stopped["counts"]["done"], stopped["counts"]["pending"]) == ("stopped", 10, 20)
    assert run_duty("imports.apply") == 0
    done(api(head_office).post(f"{URL}{file.id}/run/", {}))
    assert run_duty("imports.apply") == 20
    assert people() == Counter({f"P{n}": 1 for n in range(30)})


@pytest.mark.django_db
def test_a_file_too_long_for_a_request_is_tried_by_the_duty(api, head_office, mill, monkeypatch):
    monkeypatch.setattr(services.trying, "TRIED_AT_ONCE", 2)
    file = done(sent(api(head_office), mill, file_of(5)), 201)
    at = f"{URL}{file['id']}/"
    answer = done(api(head_office).post(f"{at}dry-run/", {}))
    assert (answer["try_due"], answer["tried"]["tried_rows"]) == (True, 0)
    assert [run_duty("imports.try") for _ in range(4)] == [2, 2, 1, 0]
    answer = done(api(head_office).get(at))
    assert (answer["try_due"], answer["tried"]["tried_rows"], answer["tried"]["would_take_over"]) == (False, 5, 5)
    assert not people()
    assert not rows()


@pytest.mark.django_db
def test_a_dry_run_is_forgotten_when_the_file_is_read_otherwise(api, head_office, mill, monkeypatch):
    monkeypatch.setattr(services.trying, "TRIED_AT_ONCE", 2)
    at = f"{URL}{done(sent(api(head_office), mill, file_of(5)), 201)['id']}/"
    version = done(api(head_office).post(f"{at}dry-run/", {}))["version"]
    done(api(head_office).patch(at, {"decimal_mark": ","}, headers={"If-Match": f'"{version}"'}))
    assert run_duty("imports.try") == 0
    assert done(api(head_office).get(at))["tried"] is None


@pytest.mark.django_db
def test_the_command_runs_only_what_was_started(api, head_office, mill):
    file = done(sent(api(head_office), mill, file_of(2)), 201)
    with pytest.raises(CommandError, match="uploaded"):
        call_command("import_run", file["id"])


@pytest.mark.postgresql
@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("kind", ["customers", "stock"])
def test_runners_at_once_apply_each_row_once(started, kind):
    if connection.vendor != "postgresql":
        pytest.skip("row locks are tried on PostgreSQL")
    FrameFactory(sku="HERON-50")
    # Without keys of their own, so that nothing but the state of the rows keeps them from being applied twice.
    balances = csv_of("Code,Lot,Qty,Cost", *(f"HERON-50,F{n % 7},1,31.00" for n in range(120)))
    started(file_of(120, keys=False) if kind == "customers" else balances, kind)
    gate = threading.Barrier(4)
    outcomes = []

    def work():
        try:
            with clock.at(NOON):
                gate.wait(20)
                outcomes.append(services.imports_apply())
        finally:
            connections.close_all()

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(120)
    assert sum(outcomes) == 120
    assert Counter(row.state for row in rows()) == Counter({"done": 120})
    assert files()[0].state == "done"
    if kind == "customers":
        assert people() == Counter({f"P{n}": 1 for n in range(120)})
    else:
        assert sum(lot.on_hand for lot in Lot.objects.everywhere("test")) == 120
        assert Movement.objects.everywhere("test").count() == 120


@pytest.mark.postgresql
@pytest.mark.django_db(transaction=True)
def test_two_files_at_once_take_the_same_key_over_once(started, api, head_office, mill):
    if connection.vendor != "postgresql":
        pytest.skip("two transactions at once are tried on PostgreSQL")
    started(file_of(60))
    started(file_of(60) + b"\r\n")
    first, second = (file.id for file in files())
    gate, outcomes = threading.Barrier(2), []

    def work(file_id):
        try:
            with clock.at(NOON):
                gate.wait(20)
                more = True
                while more:
                    settled, more = services.chunk_apply(file_id, most=10)
                    outcomes.append(settled)
        finally:
            connections.close_all()

    threads = [threading.Thread(target=work, args=(file_id,)) for file_id in (first, second)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(120)
    run_duty("imports.apply")
    assert people() == Counter({f"P{n}": 1 for n in range(60)})
    assert Counter(row.state for row in rows()) == Counter({"done": 60, "skipped": 60})
