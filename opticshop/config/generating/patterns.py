"""What a story wrote, as rows of bytes with the places that differ from copy to copy.

A copy has keys, a customer, a branch, numbers and days of its own; all else is as the story left it. All of these have
one length, so a copy is the bytes of its pattern with some places written over.
"""

from __future__ import annotations

import bisect
import datetime as dt
import re
import struct
import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from django.db import connection

from opticshop.stock.models import Lot

from . import wire
from .setting_up import Shop
from .stories import WHY, Told

#: How deep a copy goes: what the business looks up later; with the books; with all that work on it needs; with all that
#: was written.
ARCHIVE, BOOKS, WORK, TRAIL = 0, 1, 2, 3
#: What tells of an order and is not it: only a trail has these.
TELLING = frozenset({"audit_auditentry", "core_eventdelivery", "core_outboxevent", "integrations_feedentry"})
#: The tables of each depth, those that hang on others after them. A trail has every other table too.
ARCHIVED: tuple[str, ...] = (
    "prescriptions_prescription",
    "prescriptions_prescribedeye",
    "prescriptions_measurement",
    "orders_order",
    "orders_orderedlens",
    "orders_orderline",
    "billing_payment",
    "billing_receipt",
    "billing_supply",
)
BOOKED: tuple[str, ...] = (*ARCHIVED, "orders_promise", "workshop_job", "ledger_entry", "ledger_line")
PERSON = "customers_customer"
#: Never copied: kept by the loading itself, or of no order.
NOT_COPIED = frozenset(
    {
        "billing_tillday",
        "branches_numberseries",
        "core_dutyrun",
        "core_idempotencyrecord",
        "core_measurement",
        "integrations_feedhead",
        "ledger_account",  # opened by the first posting that names it
        "ledger_journaltail",
        "reports_staledays",
        "stock_lot",
        "stock_stockitem",
    }
)
_LEFT_OUT = (
    "'left', 'right', 'anisometropia_dpt', 'cutting_margin_mm', 'reading_imbalance_dpt', 'size_difference_percent'"
)
#: What an old order keeps of a column instead of all that was said: table -> column -> SQL.
LEAN: dict[str, dict[str, str]] = {
    "orders_order": {
        "computation": f"computation - ARRAY[{_LEFT_OUT}] || '{{\"assumptions\": []}}'",
        "warnings": "'[]'",
    },
    "orders_orderline": {"reasons": "'[]'"},
}
LEANEST: dict[str, dict[str, str]] = {**LEAN, "billing_payment": {"till_day_id": "NULL"}}
#: Days before a story that still belong to it; earlier ones (births, rates) stay as they are.
BEFORE = dt.timedelta(days=60)

_UUID = rb"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}"
_DAY = rb"(?<![0-9])[0-9]{4}-[0-9]{2}-[0-9]{2}(?![0-9])"


@dataclass(frozen=True)
class Slot:
    """A place in a block: what it holds (``kind``) and of what (``of``: a row, a paper, a day from 1970)."""

    offset: int
    width: int
    kind: str
    of: Any = None


@dataclass(frozen=True)
class Drawer:
    """What a branch has a lot of."""

    item: uuid.UUID
    code: str
    unit_cost: Decimal


@dataclass(frozen=True)
class Template:
    """The rows of one table that a copy has."""

    table: str
    data: bytes
    slots: tuple[Slot, ...]
    rows: int


@dataclass(frozen=True)
class Paper:
    """A numbered document of a story: its series, and when it got its number (milliseconds from 1970)."""

    kind: str
    at: int
    day: int


@dataclass
class Pattern:
    """A story of ``length`` days from ``began`` (days from 1970).

    ``keys`` are the milliseconds of each row that has a key of its own; ``money`` the day, minor units and method of
    each payment; ``moves`` the place of the item and the changes on hand and reserved of each movement of stock.
    ``entries`` and ``feed`` say how many entries of the trail and of the feed there are: of the person, of the order.
    """

    name: str
    is_open: bool
    share: float
    began: int
    length: int
    group: tuple[Any, ...]
    born: int
    keys: list[int]
    papers: list[Paper]
    money: list[tuple[int, int, str]]
    moves: list[tuple[int, int, int]]
    entries: tuple[int, int]
    feed: tuple[int, int]
    person: dict[int, list[Template]] = field(default_factory=dict)
    order: dict[int, list[Template]] = field(default_factory=dict)
    papers_of: dict[int, list[int]] = field(default_factory=dict)


class Watch:
    """Knows the rows that are there, and says which are new."""

    def __init__(self) -> None:
        self.keys: dict[str, str] = {}
        for model_table in connection.introspection.table_names():
            with connection.cursor() as cursor:
                key = connection.introspection.get_primary_key_column(cursor, model_table)
            if key and not model_table.startswith(("django_", "auth_")):
                self.keys[model_table] = key
        self.known: dict[str, set[Any]] = {table: set() for table in self.keys}
        self.new()

    def new(self) -> dict[str, list[Any]]:
        """The keys of rows that were not there the last time, by table."""
        found: dict[str, list[Any]] = {}
        with connection.cursor() as cursor:
            for table, key in self.keys.items():
                cursor.execute(f'SELECT "{key}" FROM "{table}"')
                there = {row[0] for row in cursor.fetchall()}
                if fresh := there - self.known[table]:
                    found[table] = sorted(fresh)
                self.known[table] = there
        return found


class Reader:
    """Reads what stories wrote at one branch into patterns."""

    def __init__(self, shop: Shop, keys: Mapping[str, str]) -> None:
        self.shop, self.keys = shop, keys
        self.drawers: dict[Drawer, int] = {}
        self.columns: dict[str, list[tuple[str, str]]] = {}
        self.code = shop.branch.code.encode()
        self.number = re.compile(re.escape(self.code) + rb"-([A-Z]+)-([0-9]{4})-([0-9]{5,})")
        self.token = re.compile(b"|".join((_UUID, self.number.pattern, re.escape(self.code), _DAY)))

    def columns_named(self, table: str) -> str:
        return ", ".join(f'"{name}"' for name, _ in self.columns_of(table))

    def columns_of(self, table: str) -> list[tuple[str, str]]:
        if table not in self.columns:
            with connection.cursor() as cursor:
                self.columns[table] = wire.columns_of(cursor, table)
        return self.columns[table]

    def read(
        self,
        told: Told,
        person: Mapping[str, Sequence[Any]],
        order: Mapping[str, Sequence[Any]],
        group: tuple[Any, ...],
    ) -> Pattern:
        """``person`` and ``order`` are the keys of the rows that are copied with a new person, and with every order."""
        began = _day(told.began)
        wrote = {
            table: [*person.get(table, ()), *order.get(table, ())] for table in sorted({*person, *order} - NOT_COPIED)
        }
        tables = list(wrote)
        rows = {table: self._rows(table, wrote[table], None) for table in tables}
        own: dict[bytes, int] = {}
        moments: list[tuple[int, bytes]] = []
        for table in tables:
            for row in rows[table]:
                key, at = row.bytes_of(self.keys[table]), _created(row)
                if key is not None and len(key) == 16 and at is not None:
                    moments.append((at, key))
        for place, (_, key) in enumerate(sorted(moments)):
            own[key] = place
        numbers: dict[bytes, int] = {}
        papers: list[Paper] = []
        of_table: dict[str, list[int]] = {}
        for table in tables:
            for row in rows[table]:
                number = next((row.bytes_of("number") for cell in row.cells if cell.column == "number"), None)
                if number is None or not (match := self.number.fullmatch(number)):
                    continue
                at = _created(row)
                assert at is not None
                numbers[number] = len(papers)
                of_table.setdefault(table, []).append(len(papers))
                papers.append(Paper(match[1].decode(), at, at // 86_400_000))
        pattern = Pattern(
            name=told.ending.name,
            is_open=told.ending.is_open,
            share=told.ending.share,
            began=began,
            length=_day(told.ended) - began,
            group=group,
            born=(told.born - dt.date(1970, 1, 1)).days,
            keys=[at for at, _ in sorted(moments)],
            papers=papers,
            money=self._money(rows.get("billing_payment", [])),
            moves=self._moves(rows.get("stock_movement", [])),
            entries=(len(person.get(ENTRIES, ())), len(order.get(ENTRIES, ()))),
            feed=(len(person.get(FEED, ())), len(order.get(FEED, ()))),
        )
        slots = _Slots(self, told, own, numbers)
        for depth, named, instead in (
            (ARCHIVE, ARCHIVED, LEANEST),
            (BOOKS, BOOKED, LEAN),
        ):
            there = [table for table in named if table in rows]
            pattern.order[depth] = [
                slots.template(table, self._rows(table, wrote[table], instead.get(table))) for table in there
            ]
            pattern.person[depth] = [slots.template(PERSON, rows[PERSON])]
            pattern.papers_of[depth] = sorted(each for table in there for each in of_table.get(table, []))
        for parts, among in ((pattern.person, person), (pattern.order, order)):
            slots.counted.clear()
            there = [table for table in tables if among.get(table)]
            parts[TRAIL] = [slots.template(table, self._rows(table, among[table], None)) for table in there]
        pattern.order[WORK] = [each for each in pattern.order[TRAIL] if each.table not in TELLING]
        pattern.person[WORK] = pattern.person[ARCHIVE]
        pattern.papers_of[WORK] = pattern.papers_of[TRAIL] = list(range(len(papers)))
        return pattern

    def _moves(self, movements: Iterable[wire.Row]) -> list[tuple[int, int, int]]:
        lots = self.lots()
        return [
            (
                lots[row.bytes_of("lot_id") or b""],
                _whole(row.bytes_of("on_hand_change")),
                _whole(row.bytes_of("reserved_change")),
            )
            for row in movements
        ]

    def lots(self) -> dict[bytes, int]:
        """The lots of the branch where stories are told, and which of ``drawers`` each is."""
        found = {}
        for lot in Lot.objects.everywhere(WHY).filter(branch=self.shop.branch).order_by("id"):
            drawer = Drawer(lot.item_id, lot.code, lot.unit_cost)
            found[lot.id.bytes] = self.drawers.setdefault(drawer, len(self.drawers))
        return found

    def _rows(self, table: str, keys: Iterable[Any], instead: Mapping[str, str] | None) -> list[wire.Row]:
        with connection.cursor() as cursor:
            return wire.rows_of(cursor, table, self.columns_of(table), self.keys[table], keys, instead)

    @staticmethod
    def _money(payments: Iterable[wire.Row]) -> list[tuple[int, int, str]]:
        """(day from 1970, minor units, method) of each payment."""
        return [
            (
                _micros(row.bytes_of("taken_at")) // 86_400_000_000,
                _hundredths(row.bytes_of("amount") or b""),
                (row.bytes_of("method") or b"").decode(),
            )
            for row in payments
        ]


class _Slots:
    """Finds the places that differ."""

    def __init__(self, reader: Reader, told: Told, own: Mapping[bytes, int], numbers: Mapping[bytes, int]) -> None:
        self.reader, self.own, self.numbers = reader, own, numbers
        self.since = _day(told.began - BEFORE)
        self.known: dict[bytes, tuple[str, Any]] = {
            told.customer.id.bytes: ("customer", None),
            reader.shop.branch.id.bytes: ("branch", None),
            **{user.id.bytes: ("staff", place) for place, user in enumerate(reader.shop.people)},
            **{key: ("lot", item) for key, item in reader.lots().items()},
        }
        self.told = told
        self.counted: dict[str, int] = {}
        self.born = told.born.isoformat().encode()
        customer = told.customer
        self.names = {
            customer.given_name.encode(): "given",
            customer.family_name.encode(): "family",
            customer.search_given.encode(): "search_given",
            customer.search_family.encode(): "search_family",
        }
        self.token = re.compile(b"|".join((reader.token.pattern, *map(re.escape, self.names))))
        self.upto = [upto for upto, _ in told.marks]

    def template(self, table: str, rows: Sequence[wire.Row]) -> Template:
        data, slots = b"", []
        for row in rows:
            slots += [Slot(len(data) + slot.offset, slot.width, slot.kind, slot.of) for slot in self.of_row(table, row)]
            data += row.data
        return Template(table, data, tuple(slots), len(rows))

    def of_row(self, table: str, row: wire.Row) -> Iterable[Slot]:
        for cell in row.cells:
            if cell.length <= 0:
                continue
            value = row.data[cell.offset : cell.offset + cell.length]
            if table == PERSON and cell.column in _OF_PERSON:
                yield Slot(cell.offset, cell.length, _OF_PERSON[cell.column])
            elif kind := _COUNTED.get((table, cell.column)):
                place = self.counted.get(kind, 0)
                self.counted[kind] = place + 1
                yield Slot(cell.offset, cell.length, kind, place)
            elif (table, cell.column) == (ENTRIES, "at"):
                entry = struct.unpack("!q", row.bytes_of("id") or b"")[0]
                moment = self.told.marks[min(bisect.bisect_left(self.upto, entry), len(self.upto) - 1)][1]
                yield Slot(
                    cell.offset, 8, "moment", int(moment.timestamp() * 1_000_000) - wire.EPOCH_DAYS * 86_400_000_000
                )
            elif cell.type == "uuid":
                if table == "billing_payment" and cell.column == "till_day_id":
                    day = _micros(row.bytes_of("taken_at")) // 86_400_000_000
                    yield Slot(cell.offset, 16, "till", day)
                elif found := self._key(value):
                    yield Slot(cell.offset, 16, *found)
            elif cell.type == "timestamp with time zone":
                if _micros(value) // 86_400_000_000 >= self.since:
                    yield Slot(cell.offset, 8, "moment", struct.unpack("!q", value)[0])
            elif cell.type == "date":
                day = struct.unpack("!i", value)[0] + wire.EPOCH_DAYS
                if day >= self.since:
                    yield Slot(cell.offset, 4, "day", day)
            elif cell.type in ("character varying", "text", "jsonb"):
                yield from self._within(cell.offset, value)

    def _key(self, value: bytes) -> tuple[str, Any] | None:
        if value in self.known:
            return self.known[value]
        return ("own", self.own[value]) if value in self.own else None

    def _within(self, offset: int, value: bytes) -> Iterable[Slot]:
        for match in self.token.finditer(value):
            found, at = match[0], offset + match.start()
            if name := self.names.get(found):
                yield Slot(at, len(found), name)
            elif found == self.born:
                yield Slot(at, 10, "born_text")
            elif len(found) == 36:
                if known := self._key(uuid.UUID(found.decode()).bytes):
                    yield Slot(at, 36, f"{known[0]}_text", known[1])
            elif number := self.reader.number.fullmatch(found):
                paper = self.numbers[found]
                yield Slot(at, len(self.reader.code), "code")
                yield Slot(offset + match.start() + number.start(2), 4, "year", paper)
                yield Slot(offset + match.start() + number.start(3), 5, "number", paper)
            elif found == self.reader.code:
                yield Slot(at, len(found), "code")
            else:
                day = (dt.date.fromisoformat(found.decode()) - dt.date(1970, 1, 1)).days
                if day >= self.since:
                    yield Slot(at, 10, "day_text", day)


ENTRIES, FEED = "audit_auditentry", "integrations_feedentry"
#: Columns that count: each row of a copy has a number of its own.
_COUNTED = {
    (ENTRIES, "id"): "entry",
    (FEED, "position"): "feed",
    ("stock_movement", "line"): "line",
    ("stock_movement", "on_hand_after"): "on_hand",
    ("stock_movement", "reserved_after"): "reserved",
}
_OF_PERSON = {
    "id": "customer",
    "given_name": "given",
    "family_name": "family",
    "search_given": "search_given",
    "search_family": "search_family",
    "birth_date": "born",
}


def _day(moment: dt.datetime) -> int:
    return int(moment.timestamp() // 86_400)


def _micros(value: bytes | None) -> int:
    """Microseconds from 1970."""
    assert value is not None
    return int(struct.unpack("!q", value)[0]) + wire.EPOCH_DAYS * 86_400_000_000


def _whole(value: bytes | None) -> int:
    assert value is not None
    return int.from_bytes(value, "big", signed=True)


def _created(row: wire.Row) -> int | None:
    """Milliseconds from 1970 at which the row was made."""
    for cell in row.cells:
        if cell.column == "created_at" and cell.length == 8:
            return _micros(row.data[cell.offset : cell.offset + 8]) // 1000
    return None


def _hundredths(value: bytes) -> int:
    """A numeric of two places at most: groups of four decimal digits, the weight of the first, the sign."""
    count, weight, sign, _ = struct.unpack_from("!hhHh", value)
    digits = struct.unpack_from(f"!{count}h", value, 8)
    whole = sum(digit * 10 ** (4 * (weight - place) + 4) for place, digit in enumerate(digits)) // 100
    return -whole if sign == 0x4000 else whole
