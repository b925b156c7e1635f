"""Lots of the pressed branches: what lies in them is what their movements come to, line by line."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from django.db import connection
from numpy.typing import NDArray

from opticshop.branches.models import Branch
from opticshop.core.ids import new_id
from opticshop.stock.models import Lot, Movement

from .copying import keys_made
from .patterns import Drawer
from .stories import DOCUMENT, LOT

Ints = NDArray[np.int64]
Bytes = NDArray[np.uint8]

#: What every drawer has at first and what a delivery brings beyond what is needed.
SPARE = 4


@dataclass
class Stock:
    """A lot for each drawer at each branch; ``day`` (from 1970) is when the first pieces come."""

    shops: Sequence[Branch]
    drawers: Sequence[Drawer]
    day: int
    _receipts: list[Movement] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.held = np.zeros((len(self.shops) * len(self.drawers), 3), np.int64)  # lines, on hand, reserved

    def keys(self, salt: int) -> Bytes:
        """Key of each lot: branch, item, 16 bytes."""
        count = len(self.shops) * len(self.drawers)
        at = np.full(count, self.day * 86_400_000)
        self.ids = keys_made(at, 0xFFD, np.arange(count), salt)
        return self.ids.reshape(len(self.shops), len(self.drawers), 16)

    def make(self) -> None:
        """The empty lots."""
        Lot.objects.bulk_create(
            (
                Lot(
                    id=self._id(place),
                    created_at=_morning(self.day),
                    branch=self.shops[place // len(self.drawers)],
                    item_id=self._drawer(place).item,
                    code=self._drawer(place).code,
                    unit_cost=self._drawer(place).unit_cost,
                )
                for place in range(len(self.held))
            ),
            batch_size=1000,
        )
        for place in range(len(self.held)):
            if self._drawer(place).code == LOT:
                self._receive(place, SPARE, self.day)

    def moved(self, rows: Ints) -> Ints:
        """Line, on hand and reserved after each movement; ``rows`` are lot, both changes and day, in their order.

        Where fewer than ``SPARE`` would be left, a delivery comes in first.
        """
        order = np.argsort(rows[:, 0], kind="stable")
        lot, changes = rows[order, 0], rows[order, 1:3]
        starts = np.flatnonzero(np.r_[True, lot[1:] != lot[:-1]])
        sizes = np.diff(np.r_[starts, len(lot)])
        total = np.cumsum(changes, axis=0)
        before = np.repeat(total[starts] - changes[starts], sizes, axis=0)
        within = total - before
        least = np.minimum.reduceat(within[:, 0] - within[:, 1], starts)
        first_day = np.minimum.reduceat(rows[order, 3], starts)
        for place, short, day in zip(lot[starts].tolist(), least.tolist(), first_day.tolist(), strict=True):
            free = int(self.held[place, 1] - self.held[place, 2])
            if free + short < SPARE:
                self._receive(place, SPARE - free - short, day)
        after = np.empty((len(rows), 3), np.int64)
        rank = np.arange(len(lot)) - np.repeat(starts, sizes) + 1
        base = np.repeat(self.held[lot[starts]], sizes, axis=0)
        after[order, 0] = base[:, 0] + rank
        after[order, 1:] = base[:, 1:] + within
        ends = starts + sizes - 1
        self.held[lot[starts]] = after[order][ends]
        return after

    def keep(self) -> None:
        """Write the deliveries and what the lots hold in the end."""
        Movement.objects.bulk_create(self._receipts, batch_size=1000)
        with connection.cursor() as cursor:
            cursor.execute(
                "UPDATE stock_lot l SET lines = n.lines, on_hand = n.on_hand, reserved = n.reserved "
                "FROM unnest(%s::uuid[], %s::int[], %s::int[], %s::int[]) AS n (id, lines, on_hand, reserved) "
                "WHERE l.id = n.id",
                [[self._id(place) for place in range(len(self.held))], *self.held.T.tolist()],
            )

    def _receive(self, place: int, quantity: int, day: int) -> None:
        self.held[place, 0] += 1
        self.held[place, 1] += quantity
        lines, on_hand, reserved = self.held[place].tolist()
        self._receipts.append(
            Movement(
                id=new_id(),
                created_at=_morning(day),
                branch=self.shops[place // len(self.drawers)],
                lot_id=self._id(place),
                line=lines,
                kind=Movement.Kind.RECEIPT,
                on_hand_change=quantity,
                reserved_change=0,
                on_hand_after=on_hand,
                reserved_after=reserved,
                unit_cost=self._drawer(place).unit_cost,
                document=DOCUMENT,
                by_label="system:generate",
            )
        )

    def _drawer(self, place: int) -> Drawer:
        return self.drawers[place % len(self.drawers)]

    def _id(self, place: int) -> uuid.UUID:
        return uuid.UUID(bytes=self.ids[place].tobytes())


def _morning(day: int) -> dt.datetime:
    return dt.datetime(1970, 1, 1, 7, tzinfo=dt.UTC) + dt.timedelta(days=day)
