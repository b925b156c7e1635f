"""A busy afternoon in two branches: many clients at once on fifty scarce powers, and the ledger stays true.

On PostgreSQL 64 clients, each a thread with a connection of its own, place 2,000 orders altogether by default. The
size is set by OPTICSHOP_TILLS_CLIENTS and OPTICSHOP_TILLS_ORDERS (orders altogether: 128000 makes it 2,000 for each of
64 clients, which takes many minutes). On SQLite, where one transaction has the file for itself, a smaller size.

Every client keeps a count of its own of what it took in, sold, lost and adjusted; at the end the balances must agree
with these counts as well as with the ledger.
"""

from __future__ import annotations

import os
import random
import sqlite3
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from dataclasses import dataclass, field
from decimal import Decimal
from io import StringIO
from pathlib import Path
from typing import Any, TypeVar

import pytest
from django.core.management import call_command
from django.db import connection, connections, transaction
from django.db.models import Count, F, Sum

from opticshop.branches.models import Branch
from opticshop.config.problems import problem_for
from opticshop.core.actor import Actor, system
from opticshop.core.errors import DomainError
from opticshop.core.models import OutboxEvent
from opticshop.stock import services
from opticshop.stock.models import Lot, Movement, Reservation, StockItem, TransferLine
from opticshop.stock.sections import Section
from opticshop.stock.selectors import ledger_differences
from tests.factories import LensProductFactory

pytestmark = pytest.mark.django_db(transaction=True)
T = TypeVar("T")

OPENING_PIECES = 20
COST = Decimal("4.20")
#: A client gives up, and the test fails, when it is told so often in a row that the rows are busy.
MOST_TRIES = 200


@dataclass
class Market:
    """What the clients share: two branches, the powers, and the documents that hold something."""

    branches: list[Branch]
    cells: list[StockItem]
    open_documents: list[tuple[Branch, str]] = field(default_factory=list)

    def any_open(self, chance: random.Random) -> tuple[Branch, str] | None:
        """Perhaps one that another client is settling at this moment."""
        try:
            return chance.choice(self.open_documents)
        except IndexError:
            return None


@dataclass
class Client:
    """One till. ``pieces`` counts what it did to the stock, ``answers`` what it was told."""

    number: int
    orders: int
    market: Market
    pieces: Counter[str] = field(default_factory=Counter)
    answers: Counter[str] = field(default_factory=Counter)

    def __post_init__(self) -> None:
        self.chance = random.Random(self.number)
        self.actor: Actor = system(f"till {self.number}")
        self.home = self.market.branches[self.number % 2]
        self.other = self.market.branches[1 - self.number % 2]

    def work(self) -> int:
        """Place the orders, with whatever else happens in between; returns how many were placed or refused."""
        turns = (
            (0.15, self.settle_some_document),
            (0.06, self.transfer),
            (0.03, self.count),
            (0.05, self.deliver),
            (0.03, self.write_off_loose),
        )
        for turn in range(self.orders):
            self.place_order(f"orders/{self.number}-{turn}")
            for share, happens in turns:
                if self.chance.random() < share:
                    self.told(happens)
        return self.orders

    def told(self, step: Callable[[], Any]) -> Any:
        """Run a step that may be refused for good reasons; anything else ends the client."""
        try:
            return step()
        except DomainError as refused:
            self.answers[refused.code] += 1
            return None

    def ask(self, call: Callable[[], T]) -> T:
        """One use case, as a client of the API would see it: told that rows are busy, it asks again.

        The status of every failure is that of the API; a 5xx other than 503 fails the test.
        """
        for attempt in range(MOST_TRIES):
            try:
                return call()
            except Exception as error:
                answer = problem_for(error, {})
                assert answer is not None
                if answer.status_code >= 500 and answer.status_code != 503:
                    raise AssertionError(f"answered {answer.status_code}") from error
                if answer.status_code != 503:
                    raise
                self.answers["busy"] += 1
                time.sleep(self.chance.random() * 0.01 * (attempt + 1))
        raise AssertionError("busy for ever")

    def place_order(self, document: str) -> None:
        right, left = self.chance.choices(self.market.cells, k=2)
        wanted = {"right": right, "left": left} if self.chance.random() < 0.8 else {"right": right}
        ours: dict[str, Any] = {"actor": self.actor, "branch": self.home, "document": document}
        if self.told(lambda: self.ask(lambda: services.stock_reserve_many(**ours, wanted=wanted))) is None:
            return
        self.pieces["promised"] += len(wanted)
        self.market.open_documents.append((self.home, document))
        if self.chance.random() < 0.1:
            self.told(lambda: self.ask(lambda: self.break_and_replace(ours, right)))
        if self.chance.random() < 0.6:
            self.settle(self.home, document)

    def break_and_replace(self, ours: dict[str, Any], item: StockItem) -> None:
        """Both or neither, and another client may have settled the document by now."""
        with transaction.atomic():
            services.stock_write_off(**ours, part="right", reason="chipped")
            services.stock_reserve(**ours, part="right", item=item)
        self.pieces["broken"] += 1
        self.pieces["promised"] += 1

    def settle_some_document(self) -> None:
        found = self.market.any_open(self.chance)
        if found is not None:
            self.settle(*found)

    def settle(self, branch: Branch, document: str) -> None:
        ours: dict[str, Any] = {"actor": self.actor, "branch": branch, "document": document}
        if self.chance.random() < 0.45:
            self.pieces["released"] += self.ask(lambda: services.stock_release(**ours, reason="called off"))
        else:
            self.pieces["sold"] += self.ask(lambda: services.stock_consume(**ours))

    def transfer(self) -> None:
        """Send a few pieces to the other branch; they arrive, arrive in part, come back, get lost or stay away."""
        wanted = [(item, self.chance.randint(1, 2)) for item in self.chance.sample(self.market.cells, 2)]
        ours: dict[str, Any] = {"actor": self.actor}
        drafted = self.ask(
            lambda: services.transfer_draft(**ours, sender=self.home, receiver=self.other, wanted=wanted)
        )
        try:
            sent = self.ask(lambda: services.transfer_send(**ours, transfer=drafted))
        except services.NotEnoughToSend:
            self.ask(lambda: services.transfer_cancel(**ours, transfer=drafted, reason="nothing to send"))
            raise
        lines = list(TransferLine.objects.everywhere("test").filter(transfer=sent))
        all_of_it = {line.id: line.quantity for line in lines}
        one_piece, its_line = {lines[0].id: 1}, lines[0].id
        self.answers["transfers sent"] += 1
        match self.chance.randrange(6):
            case 0 | 1 | 2:
                self.ask(lambda: services.transfer_receive(**ours, transfer=sent, arrived=all_of_it))
            case 3:
                self.ask(lambda: services.transfer_lose(**ours, transfer=sent, lost=one_piece, reason="van"))
                self.pieces["lost on the way"] += 1
                rest = {line: pieces - (line == its_line) for line, pieces in all_of_it.items()}
                rest = {line: pieces for line, pieces in rest.items() if pieces}
                if rest:
                    self.ask(lambda: services.transfer_receive(**ours, transfer=sent, arrived=rest))
            case 4:
                self.ask(
                    lambda: services.transfer_take_back(**ours, transfer=sent, returned=all_of_it, reason="refused")
                )
            case 5:
                self.answers["left in transit"] += 1

    def count(self) -> None:
        """Count a few powers while selling goes on, sometimes a piece more or less than the ledger says."""
        section = Section(items=tuple(item.id for item in self.chance.sample(self.market.cells, 3)))
        ours: dict[str, Any] = {"actor": self.actor}
        sheet = self.ask(lambda: services.count_open(**ours, branch=self.home, section=section))
        found = 0
        for lot in Lot.objects.everywhere("test").filter(section.lots(), branch=self.home, on_hand__gt=0):
            seen = max(0, lot.on_hand + self.chance.choice((-1, 0, 0, 1)))

            def record(lot: Lot = lot, seen: int = seen) -> Any:
                return services.count_record(**ours, count=sheet, lot=lot, counted=seen)

            line = self.told(lambda record=record: self.ask(record))
            if line is not None:
                found += line.counted - line.expected
        self.ask(lambda: services.count_submit(**ours, count=sheet, leave_uncounted=True))
        how: dict[str, Any] = {**ours, "count": sheet, "reason": "counted"}
        try:
            self.ask(lambda: services.count_approve(**how))
        except services.CountStale:
            self.answers["stale counts accepted"] += 1
            try:
                self.ask(lambda: services.count_approve(**how, accept_stale=True))
            except services.CountBelowReserved:
                self.ask(lambda: services.count_cancel(**how))
                raise
        except services.CountBelowReserved:
            self.ask(lambda: services.count_cancel(**how))
            raise
        self.answers["counts approved"] += 1
        self.pieces["adjusted"] += found

    def deliver(self) -> None:
        delivery: dict[str, Any] = {
            "actor": self.actor,
            "branch": self.home,
            "item": self.chance.choice(self.market.cells),
            "lot_code": f"D{self.chance.randrange(3)}",
            "quantity": 2,
            "unit_cost": COST,
            "document": "deliveries/late",
        }
        self.ask(lambda: services.goods_receive(**delivery))
        self.pieces["received"] += 2

    def write_off_loose(self) -> None:
        item = self.chance.choice(self.market.cells)
        lot = Lot.objects.everywhere("test").filter(branch=self.home, item=item, on_hand__gt=0).first()
        if lot is not None:
            self.ask(lambda: services.lot_write_off(actor=self.actor, lot=lot, quantity=1, reason="scratched"))
            self.pieces["scratched"] += 1


@pytest.fixture
def market(crowd: None, mill: Branch, quay: Branch) -> Callable[[int], Market]:
    """``market(cells)``: so many powers, each with a few pieces in three lots: far fewer than will be asked for."""

    def opened(number_of_cells: int) -> Market:
        product = LensProductFactory()
        cells = [
            services.lens_item_ensure(product, Decimal(-(number % 10)) / 4, Decimal(-(number // 10)) / 4)
            for number in range(number_of_cells)
        ]
        for item in cells:
            for branch, code, pieces in ((mill, "A", 6), (mill, "B", 7), (quay, "A", 7)):
                services.goods_receive(
                    actor=system("opening"),
                    branch=branch,
                    item=item,
                    lot_code=code,
                    quantity=pieces,
                    unit_cost=COST,
                    document="deliveries/opening",
                )
        return Market([mill, quay], cells)

    return opened


@pytest.fixture
def one_file_for_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[], None]]:
    """On SQLite: connections cannot share a database in memory, so the clients meet in a file made from it."""
    with ExitStack() as afterwards:

        def open_it() -> None:
            path = tmp_path / "tills.sqlite3"
            copy = afterwards.enter_context(closing(sqlite3.connect(path)))
            connection.connection.backup(copy)
            copy.execute("PRAGMA journal_mode=WAL")
            monkeypatch.setitem(connections.settings["default"], "NAME", str(path))

        yield open_it


def trade(market: Market, *, clients: int, orders: int) -> tuple[Counter[str], Counter[str]]:
    """Let the clients work to their end, then prove the stock; returns what was moved and what was answered."""
    tills = [Client(number, orders // clients + (number < orders % clients), market) for number in range(clients)]
    gate, ended, failures = threading.Barrier(clients), [], []

    def run(till: Client) -> None:
        try:
            gate.wait(60)
            ended.append(till.work())
        except BaseException as failure:
            failures.append((till.number, failure))
        finally:
            connections.close_all()

    threads = [threading.Thread(target=run, args=(till,), daemon=True) for till in tills]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(max(120, orders))
    assert not any(thread.is_alive() for thread in threads), "a client never finished"
    assert not failures, failures[:3]
    assert len(ended) == clients
    assert sum(ended) == orders
    pieces, answers = Counter[str](), Counter[str]()
    for till in tills:
        pieces.update(till.pieces)
        answers.update(till.answers)
    seen: list[BaseException | None] = []

    def look() -> None:
        try:
            prove(market, pieces)
            seen.append(None)
        except BaseException as wrong:
            seen.append(wrong)
        finally:
            connections.close_all()

    judge = threading.Thread(target=look)
    judge.start()
    judge.join(120)
    if seen != [None]:
        raise AssertionError(f"{pieces} {answers}") from (seen[0] if seen else None)
    return pieces, answers


def prove(market: Market, pieces: Counter[str]) -> None:
    """Balances, ledger, promises and the clients' own counts tell the same story."""
    assert ledger_differences() == []
    out = StringIO()
    call_command("stock_verify", stdout=out)
    assert "agrees" in out.getvalue()
    lots = Lot.objects.everywhere("test")
    held = lots.aggregate(on_hand=Sum("on_hand"), reserved=Sum("reserved"), away=Sum("in_transit"))
    opening = len(market.cells) * OPENING_PIECES
    gone = pieces["sold"] + pieces["broken"] + pieces["scratched"] + pieces["lost on the way"]
    assert held["on_hand"] + held["away"] == opening + pieces["received"] + pieces["adjusted"] - gone
    active = Reservation.objects.everywhere("test").filter(state=Reservation.State.ACTIVE)
    ended = pieces["released"] + pieces["sold"] + pieces["broken"]
    assert held["reserved"] == active.count() == pieces["promised"] - ended
    assert not lots.filter(reserved__gt=F("on_hand")).exists(), "oversold"
    twice = active.values("document", "part").annotate(pieces=Count("id")).filter(pieces__gt=1)
    assert not twice.exists(), "one part of an order holds two pieces"
    movements = Movement.objects.everywhere("test")
    assert movements.filter(kind=Movement.Kind.CONSUMPTION).count() == pieces["sold"]
    lines = OutboxEvent.objects.filter(subject__startswith="stock/").exclude(subject__startswith="stock/transfers/")
    assert lines.exclude(subject__startswith="stock/counts/").count() == movements.count(), "one event for each line"


@pytest.mark.postgresql
def test_sixty_four_clients_sell_fifty_scarce_powers_without_a_lie(market, capsys):
    if connection.vendor != "postgresql":
        pytest.skip("needs PostgreSQL")
    clients = int(os.environ.get("OPTICSHOP_TILLS_CLIENTS", "64"))
    orders = int(os.environ.get("OPTICSHOP_TILLS_ORDERS", "2000"))
    begun = time.perf_counter()
    pieces, answers = trade(market(50), clients=clients, orders=orders)
    took = time.perf_counter() - begun
    with capsys.disabled():
        print(f"\n{clients} clients, {orders} orders, {took:.1f} s: {dict(pieces)} {dict(answers)}")  # noqa: T201
    assert answers["stock.out_of_stock"] > orders // 20, "the powers were not scarce"
    assert answers["busy"] < clients, "lots are held in one order; another order shows as deadlocks, told as busy"
    for happened in ("released", "sold", "broken", "received", "scratched", "lost on the way"):
        assert pieces[happened], f"nothing was {happened}"
    assert answers["counts approved"]
    assert answers["transfers sent"]


@pytest.mark.postgresql
def test_whoever_is_told_that_rows_are_busy_asks_again_and_is_served(market, settings):
    """Four powers for sixteen clients who wait only a moment for each other."""
    if connection.vendor != "postgresql":
        pytest.skip("needs PostgreSQL")
    settings.OPTICSHOP_LOCK_TIMEOUT_MS = 2
    pieces, answers = trade(market(4), clients=16, orders=240)
    assert answers["busy"]
    assert pieces["sold"]


def test_a_handful_of_clients_on_one_file(market, one_file_for_all):
    if connection.vendor != "sqlite":
        pytest.skip("the same at full size is above")
    shared = market(50)
    one_file_for_all()
    pieces, answers = trade(shared, clients=6, orders=120)
    assert pieces["sold"]
    assert pieces["released"]
    assert answers["transfers sent"]
