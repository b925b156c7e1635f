"""What stock is worth, from the lines of the ledger: FIFO or weighted average (IAS 2, paragraphs 25 to 27).

Each branch has a pool per item. What comes in brings its cost; what goes out takes cost with it: of the oldest pieces
first (FIFO), or of the average of all (weighted average after each receipt). Pieces sent to another branch take their
cost along, wait with it in transit and bring it to the pool where they arrive, so no value is made or lost by sending.
The value that goes out of an average is rounded half up to the minor unit, once; the rest stays in the pool. So at any
moment, what came in is exactly what went out plus what is there.
"""

from __future__ import annotations

import heapq
import uuid
from collections import defaultdict, deque
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum

from opticshop.core.money import rounded


class Method(StrEnum):
    FIFO = "fifo"
    AVERAGE = "average"


class LedgerTorn(RuntimeError):
    """More went out of a pool than it held: the ledger was tampered with; ``manage.py stock_verify`` says where."""


@dataclass(frozen=True, slots=True)
class Line:
    """A line of the ledger, as far as it moves pieces."""

    id: uuid.UUID
    lot: uuid.UUID
    branch: uuid.UUID
    kind: str
    on_hand_change: int
    in_transit_change: int
    unit_cost: Decimal
    document: str
    currency: str


@dataclass(frozen=True, slots=True)
class Layer:
    """Pieces that came in together, and what they cost in all."""

    pieces: int
    value: Decimal


class Pool:
    """Pieces of one item in one place, in layers by age; under the weighted average there is one layer."""

    def __init__(self, method: Method, currency: str) -> None:
        self._merges, self._currency = method is Method.AVERAGE, currency
        self._layers: deque[Layer] = deque()

    @property
    def pieces(self) -> int:
        return sum(layer.pieces for layer in self._layers)

    @property
    def value(self) -> Decimal:
        return sum((layer.value for layer in self._layers), Decimal(0))

    def put(self, layers: Iterable[Layer]) -> None:
        for layer in layers:
            if self._merges and self._layers:
                old = self._layers.pop()
                layer = Layer(old.pieces + layer.pieces, old.value + layer.value)
            self._layers.append(layer)

    def take(self, pieces: int) -> list[Layer]:
        """The oldest pieces with their cost. Raises LedgerTorn when there are not so many."""
        taken: list[Layer] = []
        while pieces:
            if not self._layers:
                raise LedgerTorn("more pieces went out than there were")
            oldest = self._layers.popleft()
            if oldest.pieces <= pieces:
                taken.append(oldest)
                pieces -= oldest.pieces
                continue
            cost = rounded(oldest.value * pieces / oldest.pieces, self._currency)
            taken.append(Layer(pieces, cost))
            self._layers.appendleft(Layer(oldest.pieces - pieces, oldest.value - cost))
            pieces = 0
        return taken


@dataclass(slots=True)
class Worth:
    """Pieces and value of one item at one branch, and what its movements came to, by kind."""

    on_hand: int = 0
    on_hand_value: Decimal = Decimal(0)
    in_transit: int = 0
    in_transit_value: Decimal = Decimal(0)
    flows: dict[str, tuple[int, Decimal]] = field(default_factory=dict)


def replay(lines: Iterable[Line], method: Method, *, is_cut: bool = False) -> dict[uuid.UUID, Worth]:
    """The worth of one item at each branch after all its lines; lines of a lot come in the order of the ledger.

    Lots are merged by the ids of their lines, which are ordered by time. The order within a lot always holds; and a
    line that takes a transfer in waits for the line that gives it out, should the clocks of two machines differ.
    ``is_cut``: the lines end at some moment, which may lie between those two; then the pieces are still in transit.
    Raises LedgerTorn.
    """
    return next(replay_in_parts([list(lines)], method, is_cut=is_cut))


def replay_in_parts(
    parts: Sequence[Sequence[Line]], method: Method, *, is_cut: bool = False
) -> Iterator[dict[uuid.UUID, Worth]]:
    """The worth of one item at each branch after each part of its lines, every part being the next lines of each lot.

    Each is what ``replay`` tells of the lines so far, which end at some moment while more are to come. ``is_cut``: more
    are to come after the last part too. Raises LedgerTorn.
    """
    going_on, before = _Replay(method), list[Line]()
    for place, part in enumerate(parts):
        lines: Sequence[Line] = part
        if before and part and min(line.id for line in part) < max(line.id for line in before):
            going_on, lines = _Replay(method), [*before, *part]  # the clocks of two machines differed
        before += part
        going_on.run(lines, is_cut or any(parts[place + 1 :]))
        yield going_on.worth()


@dataclass(slots=True)
class _UnderWay:
    """One item of one transfer: in transit, and out of transit but not yet in a lot of the receiver."""

    sender: uuid.UUID
    transit: Pool
    at_the_door: Pool


class _Replay:
    def __init__(self, method: Method) -> None:
        self.method = method
        self.pools: dict[uuid.UUID, Pool] = {}
        self.under_way: dict[str, _UnderWay] = {}  # by the document of the transfer
        self.flows: dict[uuid.UUID, dict[str, tuple[int, Decimal]]] = defaultdict(dict)
        self.waiting: dict[uuid.UUID, deque[Line]] = {}  # by lot: lines that are not applied yet

    def run(self, lines: Iterable[Line], is_cut: bool) -> None:
        """Apply the next lines of each lot, and those that waited for them."""
        waiting = self.waiting
        for line in lines:
            waiting.setdefault(line.lot, deque()).append(line)
        heads = [(queue[0].id, lot) for lot, queue in waiting.items() if queue]
        heapq.heapify(heads)
        parked: dict[str, list[tuple[uuid.UUID, uuid.UUID]]] = {}
        while heads:
            head = heapq.heappop(heads)
            queue = waiting[head[1]]
            if not self._is_ready(queue[0]):
                parked.setdefault(queue[0].document, []).append(head)
                continue
            line = queue.popleft()
            self._apply(line)
            if queue:
                heapq.heappush(heads, (queue[0].id, line.lot))
            for again in parked.pop(line.document, []):
                heapq.heappush(heads, again)
        if parked and not is_cut:
            raise LedgerTorn(f"taken in without being sent: {', '.join(sorted(parked))}")

    def _is_ready(self, line: Line) -> bool:
        """Whether the line may be applied: one that belongs to a transfer waits for the line before it there."""
        if line.kind not in {"transfer_in", "transfer_loss"}:
            return True
        parcel = self.under_way.get(line.document)
        if parcel is None:
            return False
        if line.in_transit_change:
            return parcel.transit.pieces >= -line.in_transit_change
        return parcel.at_the_door.pieces >= line.on_hand_change

    def _apply(self, line: Line) -> None:
        here = self.pools.setdefault(line.branch, self._pool(line))
        if line.kind == "transfer_out":
            parcel = _UnderWay(line.branch, self._pool(line), self._pool(line))
            parcel = self.under_way.setdefault(line.document, parcel)
            parcel.transit.put(here.take(-line.on_hand_change))
        elif line.kind in {"transfer_in", "transfer_loss"}:
            self._move_under_way(line, self.under_way[line.document], here)
        elif line.on_hand_change > 0:
            came = [Layer(line.on_hand_change, line.on_hand_change * line.unit_cost)]
            here.put(came)
            self._count(line.branch, line.kind, came, sign=1)
        else:
            self._count(line.branch, line.kind, here.take(-line.on_hand_change), sign=-1)

    def _move_under_way(self, line: Line, parcel: _UnderWay, here: Pool) -> None:
        if not line.in_transit_change:  # taken in by the receiver
            layers = parcel.at_the_door.take(line.on_hand_change)
            here.put(layers)
            self._count(parcel.sender, "transferred_away", layers, sign=-1)
            self._count(line.branch, line.kind, layers, sign=1)
            return
        layers = parcel.transit.take(-line.in_transit_change)
        if line.kind == "transfer_loss":
            self._count(line.branch, line.kind, layers, sign=-1)
        elif line.on_hand_change:  # taken back by the sender
            here.put(layers)
        else:
            parcel.at_the_door.put(layers)

    def _pool(self, line: Line) -> Pool:
        return Pool(self.method, line.currency)

    def _count(self, branch: uuid.UUID, kind: str, layers: list[Layer], *, sign: int) -> None:
        """Add to the flow of a kind: into the branch positive, out of it negative."""
        pieces, value = self.flows[branch].get(kind, (0, Decimal(0)))
        self.flows[branch][kind] = (
            pieces + sign * sum(layer.pieces for layer in layers),
            value + sign * sum((layer.value for layer in layers), Decimal(0)),
        )

    def worth(self) -> dict[uuid.UUID, Worth]:
        worth: dict[uuid.UUID, Worth] = defaultdict(Worth)
        for branch, pool in self.pools.items():
            worth[branch].on_hand, worth[branch].on_hand_value = pool.pieces, pool.value
        for parcel in self.under_way.values():
            for pool in (parcel.transit, parcel.at_the_door):
                worth[parcel.sender].in_transit += pool.pieces
                worth[parcel.sender].in_transit_value += pool.value
        for branch, flows in self.flows.items():
            worth[branch].flows = dict(flows)
        return dict(worth)
