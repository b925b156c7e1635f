"""FIFO and weighted average against worked examples of others and against a recomputation piece by piece."""

from __future__ import annotations

import uuid
from bisect import bisect_right
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from opticshop.core.ids import new_id
from opticshop.stock.costing import LedgerTorn, Line, Method, replay, replay_in_parts

MILL, QUAY = uuid.uuid4(), uuid.uuid4()


class Ledger:
    """Lines as the ledger would hold them; ``buy`` opens a lot, everything else names one."""

    def __init__(self):
        self.lots, self.lines = {}, []

    def line(self, lot, kind, *, on_hand=0, in_transit=0, document="x"):
        branch, cost = self.lots[lot]
        lot_id = uuid.uuid5(branch, str(lot))
        self.lines.append(Line(new_id(), lot_id, branch, kind, on_hand, in_transit, cost, document, "GBP"))

    def buy(self, pieces, cost, branch=MILL, lot=None):
        lot = lot or f"lot {len(self.lots)}"
        self.lots[lot] = branch, Decimal(cost)
        self.line(lot, "receipt", on_hand=pieces)
        return lot

    def sell(self, pieces, lot):
        self.line(lot, "consumption", on_hand=-pieces)

    def in_order(self):
        """As the selector reads them: lot by lot."""
        return sorted(self.lines, key=lambda line: (line.lot, line.id))

    def worth(self, method, branch=MILL):
        return replay(self.in_order(), method)[branch]


def bought_and_sold(*steps):
    """Steps like "100 @ 50" (buy) or "-420" (sell); sold from any lot, since the cost does not follow the lot."""
    ledger, lots = Ledger(), []
    for step in steps:
        pieces, _, cost = step.partition(" @ ")
        if cost:
            lots.append([ledger.buy(int(pieces), cost), int(pieces)])
            continue
        wanted = -int(pieces)
        for place in reversed(lots):  # the newest first: the flow of cost must not care
            takes = min(wanted, place[1])
            if takes:
                ledger.sell(takes, place[0])
                place[1] -= takes
                wanted -= takes
    return ledger


#: Name and source, steps, then per method the cost of what was sold and the value of what is left.
EXAMPLES = [
    (
        # FinCal 0.6.3 (R), manual page "cogs", example output: FIFO 23 and 15; weighted average 26.6 and 11.4.
        # One sale after all purchases, so the periodic and the perpetual average are the same.
        "FinCal cogs",
        ["2 @ 2", "3 @ 3", "5 @ 5", "-7"],
        {Method.FIFO: ("23.00", "15.00"), Method.AVERAGE: ("26.60", "11.40")},
    ),
    (
        # Problem 6-1A (perpetual system) of a widely used introduction to financial accounting, worked solution as
        # published with the problem: 100 @ 50, 400 @ 55, sold 420, 120 @ 60, 200 @ 62, sold 160; goods available
        # 46,600; FIFO cost of goods sold 31,800, ending 14,800; the first average 54.00, 420 @ 54 = 22,680.
        # The rest of the average column carried on by hand: 23,920 / 400 = 59.80, 160 @ 59.80 = 9,568.
        "Problem 6-1A",
        ["100 @ 50", "400 @ 55", "-420", "120 @ 60", "200 @ 62", "-160"],
        {Method.FIFO: ("31800.00", "14800.00"), Method.AVERAGE: ("32248.00", "14352.00")},
    ),
    (
        # OpenStax, Principles of Accounting 1, chapter 10.3 (perpetual methods), from memory: FIFO cost of goods sold
        # 7,200, ending 8,955; average 7,253 and 8,902 in whole dollars.
        "OpenStax 10.3",
        ["150 @ 21", "-120", "225 @ 27", "-180", "210 @ 33"],
        {Method.FIFO: ("7200.00", "8955.00"), Method.AVERAGE: ("7252.94", "8902.06")},
    ),
]


@pytest.mark.parametrize("method", list(Method))
@pytest.mark.parametrize(("name", "steps", "expected"), EXAMPLES, ids=[each[0] for each in EXAMPLES])
def test_worked_examples_come_out(name, steps, expected, method):
    worth = bought_and_sold(*steps).worth(method)
    sold, left = expected[method]
    assert worth.on_hand_value == Decimal(left)
    assert -worth.flows["consumption"][1] == Decimal(sold)


def test_the_average_after_the_first_sale_of_problem_6_1a():
    """100 @ 50 and 400 @ 55 average 54.00; 420 sold cost 22,680 (source as above)."""
    worth = bought_and_sold("100 @ 50", "400 @ 55", "-420").worth(Method.AVERAGE)
    assert -worth.flows["consumption"][1] == Decimal("22680.00")
    assert worth.on_hand_value == Decimal("4320.00")


def test_pennies_that_do_not_divide_stay_in_the_pool():
    """Three for 10.00: 3.33, then 3.34 of 6.67, then what is left: nothing is rounded away."""
    ledger = Ledger()
    ledger.buy(1, "3.33")
    lot = ledger.buy(2, "3.335")
    values = []
    for _ in range(2):
        ledger.sell(1, lot)
        values.append(ledger.worth(Method.AVERAGE).on_hand_value)
    assert values == [Decimal("6.67"), Decimal("3.33")]


def sent(ledger, lot, pieces, document="transfers/t"):
    ledger.line(lot, "transfer_out", on_hand=-pieces, in_transit=pieces, document=document)


def arrives(ledger, lot, pieces, there, document="transfers/t"):
    ledger.line(lot, "transfer_in", in_transit=-pieces, document=document)
    ledger.lots.setdefault(there, (QUAY, ledger.lots[lot][1]))
    ledger.line(there, "transfer_in", on_hand=pieces, document=document)


@pytest.mark.parametrize(("method", "cost"), [(Method.FIFO, "1.00"), (Method.AVERAGE, "2.00")])
def test_a_transfer_takes_its_cost_along(method, cost):
    """One at 1.00 and one at 3.00; the newer is sent. FIFO sends the older cost, the average 2.00."""
    ledger = Ledger()
    ledger.buy(1, "1.00")
    newer = ledger.buy(1, "3.00")
    sent(ledger, newer, 1)
    worth = ledger.worth(method)
    assert (worth.on_hand, worth.in_transit, worth.in_transit_value) == (1, 1, Decimal(cost))
    assert worth.on_hand_value + worth.in_transit_value == Decimal("4.00")
    arrives(ledger, newer, 1, "there")
    here, there = ledger.worth(method), ledger.worth(method, QUAY)
    assert (here.in_transit, here.in_transit_value, there.on_hand_value) == (0, 0, Decimal(cost))
    assert here.flows["transferred_away"] == (-1, -Decimal(cost))
    assert there.flows["transfer_in"] == (1, Decimal(cost))


def test_lines_of_an_arrival_wait_for_one_another_whatever_their_numbers_say():
    """Two machines, one clock ahead: the receiver's line bears the smaller number and still comes second."""
    ledger = Ledger()
    lot = ledger.buy(2, "5.00")
    sent(ledger, lot, 2)
    arrives(ledger, lot, 2, "there")
    ledger.sell(1, "there")
    *before, taken_in, sold = ledger.lines
    early = [Line(uuid.UUID(int=n), *_rest(line)) for n, line in enumerate((taken_in, sold))]
    worth = replay(sorted([*before, *early], key=lambda line: (line.lot, line.id)), Method.FIFO)
    assert (worth[QUAY].on_hand, worth[QUAY].on_hand_value) == (1, Decimal("5.00"))


def _rest(line):
    return [getattr(line, name) for name in Line.__slots__ if name != "id"]


def test_a_torn_ledger_is_not_valued():
    ledger = Ledger()
    lot = ledger.buy(1, "5.00")
    ledger.sell(2, lot)
    with pytest.raises(LedgerTorn):
        ledger.worth(Method.FIFO)
    unsent = Ledger()
    unsent.lots["there"] = (QUAY, Decimal(1))
    unsent.line("there", "transfer_in", on_hand=1, document="transfers/never")
    with pytest.raises(LedgerTorn, match="transfers/never"):
        unsent.worth(Method.FIFO, QUAY)


def test_parts_that_come_in_another_order_than_their_numbers_are_put_in_order():
    """Bought at 1.00, then at 3.00 by a machine whose clock lags, so that the second is in the first part: the oldest
    piece is still the one that is sold first."""
    ledger = Ledger()
    first = ledger.buy(1, "1.00")
    ledger.buy(1, "3.00")
    ledger.sell(1, first)
    bought, bought_later, sold = ledger.lines
    told = replay_in_parts([[bought_later], [bought, sold]], Method.FIFO)
    assert [worth[MILL].on_hand_value for worth in told] == [Decimal("3.00"), Decimal("3.00")]


# --- piece by piece ----------------------------------------------------------------------------------------------
steps = st.lists(
    st.one_of(
        st.tuples(st.just("buy"), st.integers(1, 4), st.integers(0, 999)),
        st.tuples(st.sampled_from(["sell", "send", "take in", "lose", "take back"]), st.integers(1, 4), st.just(0)),
    ),
    max_size=30,
)


class Purse:
    """The same, kept as a list with the price of every single piece (FIFO), or as pieces and money (average)."""

    def __init__(self, method):
        self.method, self.here, self.way, self.there, self.gone = method, [], [], [], Decimal(0)

    def took(self, purse, n):
        if self.method is Method.FIFO:
            taken, purse[:] = purse[:n], purse[n:]
            return taken
        total = sum(purse)
        share = total if n == len(purse) else (total * n / len(purse)).quantize(Decimal("0.01"), "ROUND_HALF_UP")
        rest = len(purse) - n
        purse[:] = [total - share] + [Decimal(0)] * (rest - 1) if rest else []
        return [share] + [Decimal(0)] * (n - 1)


@settings(max_examples=150, deadline=None)
@given(
    story=steps,
    method=st.sampled_from(list(Method)),
    cuts=st.lists(st.integers(0, 20), max_size=4).map(sorted),
    lag=st.integers(0, 5),
)
def test_any_story_is_worth_what_a_purse_of_single_pieces_says(story, method, cuts, lag):
    """An independent recomputation; and at every end, what came in is what is there plus what went, to the penny. Told
    in parts it is what each beginning is worth alone, even where the clock of one lot lags behind."""
    ledger, purse, bought = Ledger(), Purse(method), Decimal(0)
    left, way = {}, {}  # pieces by lot, on hand and in transit
    for name, pieces, pennies in story:
        if name == "buy":
            cost = Decimal(pennies) / 100
            left[ledger.buy(pieces, cost)] = pieces
            purse.here += [cost] * pieces
            bought += cost * pieces
            continue
        stock = left if name in {"sell", "send"} else way
        lot = next((lot for lot in sorted(stock) if stock[lot]), None)
        pieces = min(pieces, stock[lot]) if lot else 0
        if not pieces:
            continue
        stock[lot] -= pieces
        if name == "sell":
            ledger.sell(pieces, lot)
            purse.gone += sum(purse.took(purse.here, pieces))
        elif name == "send":
            sent(ledger, lot, pieces)
            way[lot] = way.get(lot, 0) + pieces
            purse.way += purse.took(purse.here, pieces)
        elif name == "take in":
            arrives(ledger, lot, pieces, f"there {lot}")
            purse.there += purse.took(purse.way, pieces)
        elif name == "lose":
            ledger.line(lot, "transfer_loss", in_transit=-pieces, document="transfers/t")
            purse.gone += sum(purse.took(purse.way, pieces))
        else:
            ledger.line(lot, "transfer_in", on_hand=pieces, in_transit=-pieces, document="transfers/t")
            left[lot] += pieces
            purse.here += purse.took(purse.way, pieces)
    worth = replay(ledger.in_order(), method)
    here, there = worth.get(MILL), worth.get(QUAY)
    if here is None:
        assert not bought
        return
    assert (here.on_hand, here.on_hand_value) == (len(purse.here), sum(purse.here))
    assert (here.in_transit, here.in_transit_value) == (len(purse.way), sum(purse.way))
    assert (there.on_hand_value if there else 0) == sum(purse.there)
    for each in worth.values():
        assert sum(value for _, value in each.flows.values()) == each.on_hand_value + each.in_transit_value
        assert sum(pieces for pieces, _ in each.flows.values()) == each.on_hand + each.in_transit
    assert bought == sum(purse.here) + sum(purse.way) + sum(purse.there) + purse.gone
    assert_parts_agree(ledger, method, cuts, lag)


def assert_parts_agree(ledger, method, cuts, lag):
    parts = [[] for _ in (*cuts, None)]
    for place, line in enumerate(ledger.lines):
        late = lag if line.lot.int % 2 else 0
        parts[bisect_right(cuts, place + late)].append(line)
    told, so_far = list(replay_in_parts(parts, method)), []
    assert len(told) == len(parts)
    for part, worth in zip(parts, told, strict=True):
        so_far += part
        alone = replay(sorted(so_far, key=lambda line: (line.lot, line.id)), method, is_cut=True)
        assert worth == alone
