"""Whatever happens in whatever order, the balances are what a plain count by hand gives, and the ledger proves them."""

from __future__ import annotations

from collections import Counter
from decimal import Decimal

import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from opticshop.core.actor import system
from opticshop.stock import services
from opticshop.stock.models import Lot, Reservation
from opticshop.stock.selectors import available, ledger_differences
from tests.factories import BranchFactory, LensProductFactory

TILL = system("till")
ITEMS, LOTS, DOCUMENTS, PARTS = range(2), range(2), range(2), ("right", "left")
OPENING = [("receive", item, lot, 1) for lot in LOTS for item in ITEMS]

happenings = st.one_of(
    st.tuples(st.just("receive"), st.sampled_from(ITEMS), st.sampled_from(LOTS), st.integers(1, 3)),
    st.tuples(st.just("reserve"), st.sampled_from(ITEMS), st.sampled_from(DOCUMENTS), st.sampled_from(PARTS)),
    st.tuples(st.just("release"), st.sampled_from(DOCUMENTS), st.sampled_from([None, *PARTS])),
    st.tuples(st.just("consume"), st.sampled_from(DOCUMENTS), st.sampled_from([None, *PARTS])),
    st.tuples(st.just("break"), st.sampled_from(DOCUMENTS), st.sampled_from(PARTS)),
    st.tuples(st.just("write off"), st.sampled_from(ITEMS), st.sampled_from(LOTS), st.integers(1, 3)),
)


class ByHand:
    """The same stock on paper: pieces per (item, lot) in order of arrival, and who holds which."""

    def __init__(self):
        self.on_hand, self.held = {}, {}

    def loose(self, lot):
        return self.on_hand.get(lot, 0) - sum(1 for holder in self.held.values() if holder == lot)

    def receive(self, item, lot, quantity):
        self.on_hand[item, lot] = self.on_hand.get((item, lot), 0) + quantity
        return True

    def reserve(self, item, document, part):
        oldest = next((lot for lot in self.on_hand if lot[0] == item and self.loose(lot) > 0), None)
        if oldest is None or (document, part) in self.held:
            return False
        self.held[document, part] = oldest
        return True

    def settle(self, document, part, gone):
        ended = [key for key in self.held if key[0] == document and part in (None, key[1])]
        for key in ended:
            self.on_hand[self.held.pop(key)] -= gone
        return len(ended)

    def write_off(self, item, lot, quantity):
        if self.loose((item, lot)) < quantity:
            return False
        self.on_hand[item, lot] -= quantity
        return True


class ByService:
    """The same happenings asked of the services; a refusal is False."""

    def __init__(self):
        self.branch = BranchFactory()
        lens = LensProductFactory()
        self.items = [services.lens_item_ensure(lens, Decimal(-n), Decimal(0)) for n in ITEMS]
        self.lots = {}

    def receive(self, item, lot, quantity):
        self.lots[item, lot] = services.goods_receive(
            actor=TILL,
            branch=self.branch,
            item=self.items[item],
            lot_code=str(lot),
            quantity=quantity,
            unit_cost=Decimal("4.20"),
            document="deliveries/test",
        )
        return True

    def reserve(self, item, document, part):
        try:
            services.stock_reserve(
                actor=TILL, branch=self.branch, item=self.items[item], document=f"orders/{document}", part=part
            )
        except (services.OutOfStock, services.AlreadyReserved):
            return False
        return True

    def settle(self, document, part, gone):
        shared = {"actor": TILL, "branch": self.branch, "document": f"orders/{document}", "part": part}
        return services.stock_consume(**shared) if gone else services.stock_release(**shared, reason="test")

    def smash(self, document, part):
        try:
            services.stock_write_off(
                actor=TILL, branch=self.branch, document=f"orders/{document}", part=part, reason="test"
            )
        except services.NothingReserved:
            return 0
        return 1

    def write_off(self, item, lot, quantity):
        if (item, lot) not in self.lots:
            return False
        try:
            services.lot_write_off(actor=TILL, lot=self.lots[item, lot], quantity=quantity, reason="test")
        except services.NotEnoughAvailable:
            return False
        return True


def play(story, paper, shop):
    for name, *details in story:
        if name in {"receive", "reserve"}:
            assert getattr(shop, name)(*details) == getattr(paper, name)(*details)
        elif name == "write off":
            assert shop.write_off(*details) == paper.write_off(*details)
        elif name == "break":
            assert shop.smash(*details) == paper.settle(*details, gone=1)
        else:
            gone = 1 if name == "consume" else 0
            assert shop.settle(*details, gone) == paper.settle(*details, gone)
        check(paper, shop)


def check(paper, shop):
    kept = {lot.id: lot for lot in Lot.objects.everywhere("test").filter(branch=shop.branch)}
    active = Reservation.objects.everywhere("test").filter(branch=shop.branch, state=Reservation.State.ACTIVE)
    promised = Counter(active.values_list("lot", flat=True))
    for place, lot_id in ((place, lot.id) for place, lot in shop.lots.items()):
        assert 0 <= kept[lot_id].reserved <= kept[lot_id].on_hand
        assert kept[lot_id].on_hand == paper.on_hand[place]
        assert kept[lot_id].on_hand - kept[lot_id].reserved == paper.loose(place)
        assert kept[lot_id].reserved == promised[lot_id]
    for number, item in enumerate(shop.items):
        assert available(shop.branch, item) == sum(paper.loose(place) for place in paper.on_hand if place[0] == number)


@pytest.mark.django_db
@settings(
    max_examples=40,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(story=st.lists(happenings, min_size=6, max_size=24))
def test_any_sequence_keeps_balances_ledger_and_reservations_in_step(story):
    with transaction.atomic():
        play(OPENING + story, ByHand(), ByService())
        assert ledger_differences() == []
        transaction.set_rollback(True)
