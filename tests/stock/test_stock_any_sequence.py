"""Whatever happens at two branches, in whatever order, stock is what a count by hand gives, and the ledger proves it.

Nothing is negative, nothing is in two places, and no piece appears or vanishes without a line that says so.
"""

from __future__ import annotations

from collections import Counter
from decimal import Decimal

import pytest
from django.db import transaction
from django.db.models import Sum
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from opticshop.core import clock
from opticshop.core.actor import system
from opticshop.core.errors import DomainError
from opticshop.stock import services
from opticshop.stock.costing import Method
from opticshop.stock.models import Lot, Movement, Reservation
from opticshop.stock.sections import Section
from opticshop.stock.selectors import available, ledger_differences, worth_of_items
from tests.factories import BranchFactory, LensProductFactory

TILL = system("till")
BRANCHES, ITEMS, CODES, DOCUMENTS, PARTS = range(2), range(2), range(2), range(2), ("right", "left")
COST = {0: Decimal("4.20"), 1: Decimal("5.35")}  # by lot code: one lot, one cost
OPENING = [("receive", (branch, item, code), 2) for code in CODES for item in ITEMS for branch in BRANCHES]

places = st.tuples(st.sampled_from(BRANCHES), st.sampled_from(ITEMS), st.sampled_from(CODES))
documents = st.tuples(st.sampled_from(BRANCHES), st.sampled_from(DOCUMENTS))
pieces = st.sampled_from([1, 1, 2, 3])
happenings = st.one_of(
    st.tuples(st.just("receive"), places, pieces),
    st.tuples(st.just("reserve"), documents, st.sampled_from(ITEMS), st.sampled_from(PARTS)),
    st.tuples(st.just("release"), documents, st.sampled_from([None, *PARTS])),
    st.tuples(st.just("consume"), documents, st.sampled_from([None, *PARTS])),
    st.tuples(st.just("smash"), documents, st.sampled_from(PARTS)),
    st.tuples(st.just("bring_back"), documents, st.sampled_from(PARTS)),
    st.tuples(st.just("write_off"), places, pieces),
    st.tuples(st.just("return_to_supplier"), places, pieces),
    st.tuples(st.sampled_from(["quarantine", "lift"]), places),
    st.tuples(st.just("send"), st.sampled_from(BRANCHES), st.sampled_from(ITEMS), pieces),
    st.tuples(st.sampled_from(["take_in", "take_in", "lose", "take_back"]), st.integers(0, 5), pieces),
    st.tuples(st.just("count"), places, st.integers(-2, 2)),
    st.tuples(st.just("approve"), st.integers(0, 3)),
)


class ByHand:
    """The same stock on paper. A lot is named by (branch, item, name); lots are in order of their arrival."""

    def __init__(self):
        self.on_hand, self.held, self.had, self.apart = {}, {}, {}, set()
        self.sent = []  # lines of transfers: [lot, pieces still in transit, costs of the transfer in transit]
        self.counts = []  # [lot, variance]
        self.purses = {(branch, item): [] for branch in BRANCHES for item in ITEMS}  # cost of each piece, oldest first
        self.total = Counter()

    def reserved(self, lot):
        return sum(1 for holder in self.held.values() if holder == lot)

    def loose(self, lot):
        return self.on_hand.get(lot, 0) - self.reserved(lot)

    def free(self, branch, item):
        lots = [lot for lot in self.on_hand if lot[:2] == (branch, item) and lot not in self.apart]
        return sum(self.loose(lot) for lot in lots)

    def put(self, lot, quantity, costs=None):
        self.on_hand[lot] = self.on_hand.get(lot, 0) + quantity
        self.purses[lot[:2]] += costs if costs is not None else [self.cost(lot)] * quantity

    def take(self, lot, quantity):
        self.on_hand[lot] -= quantity
        purse = self.purses[lot[:2]]
        costs, purse[:] = purse[:quantity], purse[quantity:]
        return costs

    @staticmethod
    def cost(lot):
        return COST[int(str(lot[2])[0])]

    def receive(self, lot, quantity):
        if lot in self.apart:
            return False
        self.put(lot, quantity)
        self.total["came"] += quantity
        return True

    def reserve(self, document, item, part):
        oldest = next(
            (
                lot
                for lot in self.on_hand
                if lot[:2] == (document[0], item) and lot not in self.apart and self.loose(lot) > 0
            ),
            None,
        )
        if oldest is None or (document, part) in self.held:
            return False
        self.held[document, part] = oldest
        return True

    def _settle(self, document, part, leaves):
        ended = [key for key in self.held if key[0] == document and part in (None, key[1])]
        for key in sorted(ended, key=lambda key: list(self.on_hand).index(self.held[key])):
            lot = self.held.pop(key)
            if leaves:
                self.take(lot, 1)
                self.total["went"] += 1
        return ended

    def release(self, document, part):
        return len(self._settle(document, part, leaves=False))

    def consume(self, document, part):
        lots = {key: lot for key, lot in self.held.items() if key[0] == document and part in (None, key[1])}
        for key, lot in lots.items():
            self.had.setdefault(key, []).append(lot)
        return len(self._settle(document, part, leaves=True))

    def smash(self, document, part):
        return bool(self._settle(document, part, leaves=True))

    def bring_back(self, document, part):
        if not self.had.get((document, part)):
            return False
        self.put(self.had[document, part].pop(), 1)
        self.total["came"] += 1
        return True

    def write_off(self, lot, quantity):
        if lot not in self.on_hand or self.loose(lot) < quantity:
            return False
        self.take(lot, quantity)
        self.total["went"] += quantity
        return True

    return_to_supplier = write_off

    def quarantine(self, lot):
        if lot not in self.on_hand or lot in self.apart:
            return False
        self.apart.add(lot)
        return True

    def lift(self, lot):
        if lot not in self.apart:
            return False
        self.apart.remove(lot)
        return True

    def send(self, branch, item, quantity):
        if self.free(branch, item) < quantity:
            return False
        way: list[Decimal] = []  # the costs are the transfer's, whichever line arrives first
        for lot in [lot for lot in self.on_hand if lot[:2] == (branch, item) and lot not in self.apart]:
            takes = min(quantity, self.loose(lot))
            if takes:
                way += self.take(lot, takes)
                self.sent.append([lot, takes, way])
                quantity -= takes
        return True

    def _way(self, number, quantity):
        if not self.sent:
            return None
        line = self.sent[number % len(self.sent)]
        return line if line[1] >= quantity else None

    def _off_the_way(self, line, quantity):
        line[1] -= quantity
        costs, line[2][:] = line[2][:quantity], line[2][quantity:]
        return costs

    def take_in(self, number, quantity):
        line = self._way(number, quantity)
        if line is None:
            return False
        lot, is_bad = line[0], line[0] in self.apart
        there = (1 - lot[0], *lot[1:])
        if (there in self.on_hand and (there in self.apart) != is_bad) or (
            there not in self.on_hand and is_bad is None
        ):
            there = (*there[:2], f"{lot[2]}~{number % len(self.sent)}{'Q' if is_bad else ''}")
        if is_bad:
            self.apart.add(there)
        self.put(there, quantity, self._off_the_way(line, quantity))
        return True

    def lose(self, number, quantity):
        line = self._way(number, quantity)
        if line is None:
            return False
        self._off_the_way(line, quantity)
        self.total["went"] += quantity
        return True

    def take_back(self, number, quantity):
        line = self._way(number, quantity)
        if line is None:
            return False
        self.put(line[0], quantity, self._off_the_way(line, quantity))
        return True

    def count(self, lot, variance):
        if lot not in self.on_hand or any(lot == counted[0] for counted in self.counts):
            return False
        variance = max(variance, -self.on_hand[lot])
        self.counts.append([lot, variance])
        return True

    def approve(self, number):
        if not self.counts:
            return False
        place = number % len(self.counts)
        lot, variance = self.counts[place]
        if variance and self.loose(lot) + variance < 0:
            return False
        self.counts.pop(place)
        if variance > 0:
            self.put(lot, variance)
        else:
            self.take(lot, -variance)
        self.total["came" if variance > 0 else "went"] += abs(variance)
        return True


class ByService:
    """The same happenings asked of the services; a refusal is False."""

    def __init__(self):
        self.branches = [BranchFactory() for _ in BRANCHES]
        lens = LensProductFactory()
        self.items = [services.lens_item_ensure(lens, Decimal(-n), Decimal(0)) for n in ITEMS]
        self.lots, self.sent, self.counts = {}, [], []

    def receive(self, lot, quantity):
        branch, item, code = lot
        self.lots[lot] = services.goods_receive(
            actor=TILL,
            branch=self.branches[branch],
            item=self.items[item],
            lot_code=str(code),
            quantity=quantity,
            unit_cost=COST[code],
            document="deliveries/test",
        )
        return True

    def _ours(self, document, **more):
        branch, number = document
        return {"actor": TILL, "branch": self.branches[branch], "document": f"orders/{branch}-{number}", **more}

    def reserve(self, document, item, part):
        services.stock_reserve(**self._ours(document), item=self.items[item], part=part)
        return True

    def release(self, document, part):
        return services.stock_release(**self._ours(document), part=part, reason="test")

    def consume(self, document, part):
        return services.stock_consume(**self._ours(document), part=part)

    def smash(self, document, part):
        services.stock_write_off(**self._ours(document), part=part, reason="test")
        return True

    def bring_back(self, document, part):
        services.stock_return_from_customer(**self._ours(document), part=part, reason="test")
        return True

    def _lot(self, lot):
        """The lot of a name; made by an arrival, it is looked up."""
        if lot not in self.lots:
            branch, item, code = lot
            rows = Lot.objects.everywhere("test").filter(branch=self.branches[branch], item=self.items[item])
            self.lots[lot] = rows.filter(code=str(code)).first()
        return self.lots[lot] or self.lots.pop(lot)

    def write_off(self, lot, quantity):
        found = self._lot(lot)
        return found and bool(services.lot_write_off(actor=TILL, lot=found, quantity=quantity, reason="test"))

    def return_to_supplier(self, lot, quantity):
        found = self._lot(lot)
        back = {"actor": TILL, "lot": found, "quantity": quantity, "document": "returns/1", "reason": "test"}
        return found and bool(services.stock_return_to_supplier(**back))

    def quarantine(self, lot):
        found = self._lot(lot)
        return found and bool(services.lot_quarantine(actor=TILL, lot=found, reason="test"))

    def lift(self, lot):
        found = self._lot(lot)
        return found and bool(services.lot_quarantine_lift(actor=TILL, lot=found, reason="test"))

    def send(self, branch, item, quantity):
        with transaction.atomic():
            drafted = services.transfer_draft(
                actor=TILL,
                sender=self.branches[branch],
                receiver=self.branches[1 - branch],
                wanted=[(self.items[item], quantity)],
            )
            sent = services.transfer_send(actor=TILL, transfer=drafted)
        self.sent += [(sent, line.id) for line in sent.lines.order_by("id")]
        return True

    def _line(self, number):
        return self.sent[number % len(self.sent)] if self.sent else (None, None)

    def take_in(self, number, quantity):
        transfer, line = self._line(number)
        return transfer and bool(services.transfer_receive(actor=TILL, transfer=transfer, arrived={line: quantity}))

    def lose(self, number, quantity):
        transfer, line = self._line(number)
        return transfer and bool(
            services.transfer_lose(actor=TILL, transfer=transfer, lost={line: quantity}, reason="test")
        )

    def take_back(self, number, quantity):
        transfer, line = self._line(number)
        return transfer and bool(
            services.transfer_take_back(actor=TILL, transfer=transfer, returned={line: quantity}, reason="test")
        )

    def count(self, lot, variance):
        found = self._lot(lot)
        if not found:
            return False
        found.refresh_from_db()
        nothing = Section(items=(found.id,))  # no item has this id: an empty sheet, to which the lot is added
        with transaction.atomic():
            count = services.count_open(actor=TILL, branch=self.branches[lot[0]], section=nothing)
            services.count_record(actor=TILL, count=count, lot=found, counted=max(found.on_hand + variance, 0))
            self.counts.append(services.count_submit(actor=TILL, count=count))
        return True

    def approve(self, number):
        if not self.counts:
            return False
        place = number % len(self.counts)
        services.count_approve(actor=TILL, count=self.counts[place], reason="test", accept_stale=True)
        self.counts.pop(place)
        return True


def play(story, paper, shop):
    for name, *details in story:
        try:
            done = getattr(shop, name)(*details)
        except DomainError:
            done = False
        assert (done or False) == getattr(paper, name)(*details), (name, details)
        check(paper, shop)


def check(paper, shop):
    """After every step: each branch holds what the paper says, and no piece is negative, twice or lost."""
    branches = [branch.id for branch in shop.branches]
    lots = list(Lot.objects.everywhere("test").filter(branch__in=branches))
    active = Reservation.objects.everywhere("test").filter(branch__in=branches, state=Reservation.State.ACTIVE)
    promised = Counter(active.values_list("lot", flat=True))
    items = [item.id for item in shop.items]
    kept = {}
    for lot in lots:
        assert 0 <= lot.reserved <= lot.on_hand
        assert lot.in_transit >= 0
        assert lot.reserved == promised[lot.id]
        name = int(lot.code) if lot.code.isdigit() else lot.code
        kept[branches.index(lot.branch_id), items.index(lot.item_id), name] = lot
    for name, on_hand in paper.on_hand.items():
        if isinstance(name[2], int):
            assert kept[name].on_hand == on_hand, name
            assert kept[name].reserved == paper.reserved(name), name
            assert kept[name].is_quarantined == (name in paper.apart), name
    here, way = sum(lot.on_hand for lot in lots), sum(lot.in_transit for lot in lots)
    assert here == sum(paper.on_hand.values())
    assert way == sum(line[1] for line in paper.sent)
    assert here + way == paper.total["came"] - paper.total["went"]


def check_the_end(paper, shop):
    """What the ledger proves, and its worth against the cost of every single piece on paper."""
    assert ledger_differences() == []
    for branch, place in enumerate(shop.branches):
        for number, item in enumerate(shop.items):
            assert available(place, item) == paper.free(branch, number)
    moved = Movement.objects.everywhere("test").filter(branch__in=shop.branches)
    came_and_went = moved.aggregate(n=Sum("on_hand_change") + Sum("in_transit_change"))["n"]
    assert came_and_went == paper.total["came"] - paper.total["went"]
    for item, _, worths in worth_of_items(Method.FIFO, clock.now()):
        if item not in {each.id for each in shop.items}:
            continue
        number = [each.id for each in shop.items].index(item)
        for branch, place in enumerate(shop.branches):
            if place.id in worths:
                assert worths[place.id].on_hand_value == sum(paper.purses[branch, number])


@pytest.mark.django_db
@settings(
    max_examples=12,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(story=st.lists(happenings, min_size=40, max_size=70))
def test_any_sequence_keeps_balances_ledger_and_papers_in_step(story):
    with transaction.atomic():
        paper, shop = ByHand(), ByService()
        play(OPENING + story, paper, shop)
        check_the_end(paper, shop)
        transaction.set_rollback(True)
