"""Presses orders in numbers: plays the stories, then copies what they wrote as often as asked for (PostgreSQL)."""

from __future__ import annotations

import datetime as dt
import itertools
import time
import uuid
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

import numpy as np
from django.db import connection, transaction
from numpy.typing import NDArray

from opticshop.audit.models import AuditEntry
from opticshop.billing.models import TillDay
from opticshop.branches.models import NumberSeries
from opticshop.core import outbox
from opticshop.core.acting import system_acting
from opticshop.core.models import EventDelivery
from opticshop.core.partitions import declared
from opticshop.integrations.models import FeedHead
from opticshop.stock.models import Lot, Movement

from . import drawing, loading, names
from .copying import Copies, keys_made, year_of
from .drawers import Stock
from .patterns import ARCHIVE, BOOKED, BOOKS, ENTRIES, PERSON, TRAIL, WORK, Pattern, Reader, Watch
from .planning import BRANCH_SPREAD, Drawn, Plan
from .setting_up import Group, group_make
from .stories import ENDINGS, Ending, Teller, Untold

Ints = NDArray[np.int64]
Bytes = NDArray[np.uint8]
FIRST_YEAR, YEARS = 1990, 60
MOST_NUMBERS = 99_999
#: Where the hours of a day are cut for keys: the milliseconds that copies of a pattern on one day differ by.
JITTER_MS = 60_000


@dataclass(frozen=True)
class Asked:
    """What is to be made; days are calendar days."""

    branches: int
    customers: int
    orders: int
    seed: int
    until: dt.date
    years: int
    trail_days: int
    books_days: int
    stories: int


class TooMany(Exception):
    """More documents of a branch in a year than its numbers have digits for."""


class Undelivered(Exception):
    """Copies would never be delivered either."""


@dataclass
class Press:
    asked: Asked
    say: Callable[[str], None]
    began: float = field(default_factory=time.monotonic)

    def run(self) -> None:
        asked = self.asked
        with system_acting("generate", f"invented group, seed {asked.seed}"):
            opened = asked.until - dt.timedelta(days=round(365.25 * asked.years))
            group = group_make(asked.branches, opened)
            outbox.deliver_all()
            self.tell(f"{asked.branches} branches with {3 * asked.branches} people")
            patterns, reader = self._told(group)
        if EventDelivery.objects.exclude(state=EventDelivery.State.DONE).exists():
            raise Undelivered("the stories left events that their handlers refused")
        self.tell(f"{len(patterns)} stories told")
        run = _Run(asked, group, patterns, reader, self.tell)
        run.press()
        self.tell("done")

    def tell(self, words: str) -> None:
        self.say(f"{time.monotonic() - self.began:8.1f} s  {words}")

    def _told(self, group: Group) -> tuple[list[Pattern], Reader]:
        """Stories one after the other at a branch of their own; the last ends before the present of the copies."""
        asked, shop = self.asked, group.telling
        watch = Watch()
        reader = Reader(shop, watch.keys)
        parts: dict[str, dict[str, list[Any]]] = {}

        def between(part: str) -> None:
            for table, keys in watch.new().items():
                parts.setdefault(part, {}).setdefault(table, []).extend(keys)

        teller = Teller(group, shop, _last_entry, between)
        rng = np.random.Generator(np.random.PCG64(np.random.SeedSequence(asked.seed, spawn_key=(0,))))
        day = asked.until - dt.timedelta(days=17 * asked.stories + 30)
        batch = drawing.draw(rng, asked.stories * 4, day)
        given, family = fixed_names(np.arange(asked.stories * 4), asked.seed)
        patterns: list[Pattern] = []
        row = 0
        refused: list[str] = []
        for number, ending in enumerate(_endings(asked.stories)):
            while True:
                if row >= len(batch.age):
                    raise RuntimeError(f"the service refuses these stories: {refused[-5:]}")
                words = [each[row].tobytes().decode() for each in (given, family)]
                watch.new()
                parts.clear()
                try:
                    told = teller.told(ending, batch, row, words[0], words[1], day, number)
                except Untold as untold:
                    refused.append(str(untold))
                    row += 1
                    continue
                break
            group_of = (bool(batch.addition_hundredths[row]), _like(int(batch.right.sphere_hundredths[row])))
            row += 1
            patterns.append(reader.read(told, parts["person"], parts["order"], group_of))
            day = told.ended.date() + dt.timedelta(days=1)
            day += dt.timedelta(days=day.weekday() == 6)
        _leave_no_group_empty(patterns)
        return patterns, reader


def _like(sphere_hundredths: int) -> int:
    return int(np.searchsorted([-300, -75, 75], sphere_hundredths))


def _leave_no_group_empty(patterns: list[Pattern]) -> None:
    """A group needs a story that is done with; one without joins the others of its kind, or the first."""
    done = {each.group for each in patterns if not each.is_open}
    for each in patterns:
        if each.group not in done:
            near = [group for group in sorted(done) if group[0] == each.group[0]]
            each.group = (near or sorted(done))[0]


def _endings(count: int) -> list[Ending]:
    """Each ending at least once, the others by their share: three quarters done with, one quarter open."""
    done, still = ([each for each in ENDINGS if each.is_open is state] for state in (False, True))
    chosen = [*done, *still]
    for among, part in ((done, 0.75), (still, 0.25)):
        left = round(count * part) - len(among)
        for place in range(max(0, left)):
            at = (place + 0.5) / left
            chosen.append(among[int(np.searchsorted(np.cumsum([each.share for each in among]), at))])
    return chosen


def _last_entry() -> int:
    return AuditEntry.objects.order_by("-id").values_list("id", flat=True).first() or 0


def feed_last() -> int:
    return FeedHead.objects.values_list("last", flat=True).first() or 0


def entries_reserved(count: int) -> int:
    """The first of so many keys of the trail that nobody else will get."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT nextval(pg_get_serial_sequence(%s, 'id'))", [ENTRIES])
        first = int(cursor.fetchone()[0])
        cursor.execute("SELECT setval(pg_get_serial_sequence(%s, 'id'), %s)", [ENTRIES, first + count - 1])
    return first


_SYLLABLES = tuple(each for each in names.FIRST if len(each) == 3)
_ENDS = tuple(each for each in names.LAST if len(each) == 3)


def fixed_names(number: Ints, seed: int) -> tuple[Bytes, Bytes]:
    """Given and family name of people by number, each of one length: 5 and 10 letters, and ``names.MARK``."""
    mixed = (number.astype(np.uint64) + np.uint64(seed)) * np.uint64(0x9E37_79B9_7F4A_7C15)

    def pick(syllables: tuple[str, ...], shift: int) -> Bytes:
        table = np.frombuffer("".join(syllables).encode(), np.uint8).reshape(len(syllables), -1)
        return table[((mixed >> np.uint64(shift)) % np.uint64(len(syllables))).astype(np.int64)]

    given = np.concatenate([pick(_SYLLABLES, 40), pick(names.MIDDLE, 34)], axis=1)
    mark = np.broadcast_to(np.frombuffer(names.MARK.encode(), np.uint8), (len(number), len(names.MARK)))
    family = np.concatenate(
        [pick(_SYLLABLES, 28), pick(names.MIDDLE, 22), pick(names.MIDDLE, 16), pick(_ENDS, 10), mark], axis=1
    )
    return given, family


class _Run:
    def __init__(
        self, asked: Asked, group: Group, patterns: list[Pattern], reader: Reader, tell: Callable[[str], None]
    ) -> None:
        self.asked, self.group, self.patterns, self.reader, self.tell = asked, group, patterns, reader, tell
        self.until = _days(asked.until)
        self.books_from = self.until - asked.books_days
        self.plan = Plan(
            patterns,
            orders=asked.orders,
            customers=asked.customers,
            until=self.until,
            days=round(365.25 * asked.years),
            trail_from=self.until - asked.trail_days,
            books_from=self.books_from,
            seed=asked.seed,
        )
        shops = group.shops
        self.branch_keys = _keys([shop.branch.id for shop in shops])
        self.codes = np.array([list(shop.branch.code.encode()) for shop in shops], np.uint8)
        self.staff = np.array([_keys([user.id for user in shop.people]) for shop in shops])
        rng = np.random.Generator(np.random.PCG64(np.random.SeedSequence(asked.seed, spawn_key=(2,))))
        self.branch_share = rng.lognormal(0.0, BRANCH_SPREAD.value, len(shops))
        self.branch_share /= self.branch_share.sum()
        self.salt = (asked.seed * 0x5851_F42D_4C95_7F2D + 0x1405_7B7E) % (1 << 62)
        self.customer_keys = np.zeros((asked.customers, 16), np.uint8)
        self.customer_branch = np.zeros(asked.customers, np.int16)
        self.customer_born = np.zeros(asked.customers, np.int32)
        kinds = sorted({paper.kind for pattern in patterns for paper in pattern.papers})
        self.kinds = {kind: place for place, kind in enumerate(kinds)}
        self.last = np.zeros((len(kinds), len(shops), YEARS), np.int64)
        self.drawers = sorted(reader.drawers, key=reader.drawers.__getitem__)
        self.stock = Stock([shop.branch for shop in shops], self.drawers, self.books_from)
        self.lot_keys = self.stock.keys(self.salt)
        self.feed = feed_last()
        self.cash = np.zeros((len(shops), max(1, self.until - self.books_from + 1)), np.int64)
        self.tills = np.zeros_like(self.cash, dtype=bool)

    # --- pressing ---------------------------------------------------------------------------------------------------

    def press(self) -> None:
        copied = {template.table for each in self.patterns for template in (*each.order[TRAIL], *each.person[TRAIL])}
        tables = sorted({PERSON, *BOOKED} | copied)
        parted = {each.table for each in declared()}
        silenced = {*tables, *(model._meta.db_table for model in (TillDay, Lot, Movement))} - {ENTRIES}
        self.stock.make()
        off = loading.taken_off(sorted(set(tables) - parted), self._with_triggers(sorted(silenced)))
        self.tell(
            f"indexes and keys of {len(tables)} tables taken off; from here to the end a break spoils the database"
        )
        try:
            self._load(tables)
            with transaction.atomic():
                self._keep_tills()
                self.stock.keep()
                FeedHead.objects.update_or_create(id=1, defaults={"last": self.feed})
        finally:
            loading.put_back(off, self.tell)
        self.tell("indexes and keys are back")
        self._finish()

    @staticmethod
    def _with_triggers(tables: list[str]) -> list[str]:
        with connection.cursor() as cursor:
            cursor.execute(
                "SELECT DISTINCT c.relname FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid "
                "WHERE NOT tgisinternal AND c.relname = ANY(%s)",
                [tables],
            )
            return sorted(name for (name,) in cursor.fetchall())

    def _load(self, tables: list[str]) -> None:
        loader = loading.Loader({table: self.reader.columns_named(table) for table in tables})
        said = time.monotonic()
        try:
            for drawn in self.plan.batches():
                blocks = self._batch(drawn)
                for table, parts in blocks.items():
                    loader.give(table, parts)
                if time.monotonic() - said > 15:
                    said = time.monotonic()
                    self.tell(f"{drawn.first + len(drawn):,} orders, {loader.bytes / 1e9:.2f} GB sent")
        finally:
            loader.end()
        self.tell(f"{self.asked.orders:,} orders, {loader.bytes / 1e9:.2f} GB sent")

    def _batch(self, drawn: Drawn) -> dict[str, list[Any]]:
        rng = np.random.Generator(np.random.PCG64(np.random.SeedSequence(self.asked.seed, spawn_key=(3, drawn.first))))
        number = drawn.first + np.arange(len(drawn))
        is_new = number < self.asked.customers
        fresh = drawn.customer[is_new]
        began = np.array([each.began for each in self.patterns])
        born = np.array([each.born for each in self.patterns])
        first_key = np.array([each.keys[0] for each in self.patterns])
        shift = drawn.day - began[drawn.pattern]
        jitter = rng.integers(0, JITTER_MS, len(drawn))
        if len(fresh):
            self.customer_branch[fresh] = rng.choice(len(self.branch_share), len(fresh), p=self.branch_share)
            self.customer_born[fresh] = (born[drawn.pattern] + shift)[is_new] - rng.integers(0, 700, len(fresh))
            at = (first_key[drawn.pattern] + shift * 86_400_000 + jitter)[is_new]
            self.customer_keys[fresh] = keys_made(at, 0xFFF, number[is_new], self.salt)
        branch = self.customer_branch[drawn.customer].astype(np.int64)
        depth = drawn.depth
        papers = self._papers(drawn, depth, branch, shift)
        blocks: dict[str, list[Any]] = defaultdict(list)
        moved = self._moved(drawn, depth, branch, shift)
        for place, pattern in enumerate(self.patterns):
            for level in (ARCHIVE, BOOKS, WORK, TRAIL):
                mine = np.flatnonzero((drawn.pattern == place) & (depth == level))
                if not len(mine):
                    continue
                copies = self._copies(pattern, mine, drawn, number, shift, jitter, branch, papers[place, level])
                if level >= WORK:
                    copies.given |= moved[place, level]
                if level == TRAIL:
                    copies.given |= self._counted(pattern, 1, len(mine))
                for template in pattern.order[level]:
                    blocks[template.table].append(copies.block(template).data)
                new = np.flatnonzero(is_new[mine])
                if len(new):
                    people = self._copies(pattern, mine[new], drawn, number, shift, jitter, branch, {})
                    if level == TRAIL:
                        people.given |= self._counted(pattern, 0, len(new))
                    for template in pattern.person[level]:
                        blocks[template.table].append(people.block(template).data)
                if level != ARCHIVE:
                    self._count_money(pattern, branch[mine], shift[mine])
        return blocks

    def _copies(
        self,
        pattern: Pattern,
        mine: Ints,
        drawn: Drawn,
        number: Ints,
        shift: Ints,
        jitter: Ints,
        branch: Ints,
        papers: dict[int, Ints],
    ) -> Copies:
        at, who = branch[mine], drawn.customer[mine]
        given, family = fixed_names(who, self.asked.seed)
        return Copies(
            number=number[mine],
            shift=shift[mine],
            jitter=jitter[mine],
            customer=self.customer_keys[who],
            branch=self.branch_keys[at],
            code=self.codes[at],
            staff=self.staff[at],
            born=self.customer_born[who].astype(np.int64),
            names={
                "given": given,
                "family": family,
                "search_given": _lowered(given),
                "search_family": _lowered(family),
            },
            papers=papers,
            paper_days={place: paper.day for place, paper in enumerate(pattern.papers)},
            row_times=pattern.keys,
            till=lambda day: self._till_keys(at, day),
            salt=self.salt,
            given={("lot", item): self.lot_keys[at, item] for item in {item for item, _, _ in pattern.moves}},
        )

    def _counted(self, pattern: Pattern, part: int, copies: int) -> dict[tuple[str, Any], Bytes]:
        """Keys that count up, of entries of the trail and of the feed: those of one copy follow one another."""
        given: dict[tuple[str, Any], Bytes] = {}
        for kind, many in (("entry", pattern.entries[part]), ("feed", pattern.feed[part])):
            if not many:
                continue
            if kind == "entry":
                first = entries_reserved(many * copies)
            else:
                first, self.feed = self.feed + 1, self.feed + many * copies
            keys = (first + np.arange(many * copies)).reshape(copies, many).astype(">i8")
            for place in range(many):
                given[kind, place] = np.ascontiguousarray(keys[:, place]).view(np.uint8).reshape(-1, 8)
        return given

    def _moved(
        self, drawn: Drawn, depth: Ints, branch: Ints, shift: Ints
    ) -> dict[tuple[int, int], dict[tuple[str, Any], Bytes]]:
        """What the movements of a batch leave in their lots, order by order."""
        found: dict[tuple[int, int], dict[tuple[str, Any], Bytes]] = defaultdict(dict)
        parts: list[tuple[tuple[int, int], int, Ints]] = []
        for place, level in itertools.product(range(len(self.patterns)), (WORK, TRAIL)):
            pattern = self.patterns[place]
            mine = np.flatnonzero((drawn.pattern == place) & (depth == level))
            if not len(mine) or not pattern.moves:
                continue
            moves = np.array(pattern.moves)
            rows = np.empty((len(mine), len(moves), 4), np.int64)
            rows[:, :, 0] = branch[mine][:, None] * len(self.drawers) + moves[None, :, 0]
            rows[:, :, 1:3] = moves[None, :, 1:]
            rows[:, :, 3] = (drawn.day[mine])[:, None]
            parts.append(((place, level), len(moves), rows.reshape(-1, 4)))
        if not parts:
            return found
        after = self.stock.moved(np.concatenate([rows for _, _, rows in parts]))
        begins = 0
        for where, many, rows in parts:
            mine_after = after[begins : begins + len(rows)].reshape(-1, many, 3).astype(">i4")
            begins += len(rows)
            for move in range(many):
                for column, kind in enumerate(("line", "on_hand", "reserved")):
                    value = np.ascontiguousarray(mine_after[:, move, column]).view(np.uint8).reshape(-1, 4)
                    found[where][kind, move] = value
        return found

    def _papers(self, drawn: Drawn, depth: Ints, branch: Ints, shift: Ints) -> dict[tuple[int, int], dict[int, Ints]]:
        """Numbers of the documents of a batch, without a gap for each branch, series and year, in the order of time."""
        found: dict[tuple[int, int], dict[int, Ints]] = defaultdict(dict)
        parts: dict[int, list[tuple[tuple[int, int], int, Ints, Ints]]] = defaultdict(list)
        for place, pattern in enumerate(self.patterns):
            for level in (ARCHIVE, BOOKS, WORK, TRAIL):
                mine = np.flatnonzero((drawn.pattern == place) & (depth == level))
                for paper in pattern.papers_of[level] if len(mine) else ():
                    about = pattern.papers[paper]
                    year = year_of(about.day + shift[mine]) - FIRST_YEAR
                    series = branch[mine] * YEARS + year
                    at = about.at + shift[mine] * 86_400_000
                    parts[self.kinds[about.kind]].append(((place, level), paper, series, at))
        for kind, pieces in parts.items():
            series = np.concatenate([each[2] for each in pieces])
            order = np.lexsort((np.concatenate([each[3] for each in pieces]), series))
            sorted_series = series[order]
            starts = np.flatnonzero(np.r_[True, sorted_series[1:] != sorted_series[:-1]])
            sizes = np.diff(np.r_[starts, len(order)])
            rank = np.arange(len(order)) - np.repeat(starts, sizes)
            last = self.last[kind].reshape(-1)
            numbers = np.empty(len(order), np.int64)
            numbers[order] = last[sorted_series] + rank + 1
            last[sorted_series[starts]] += sizes
            if len(numbers) and numbers.max() > MOST_NUMBERS:
                raise TooMany(f"a branch has more than {MOST_NUMBERS:,} documents of one kind in a year: more branches")
            at_piece = 0
            for where, paper, mine_series, _ in pieces:
                found[where][paper] = numbers[at_piece : at_piece + len(mine_series)]
                at_piece += len(mine_series)
        return found

    # --- tills ------------------------------------------------------------------------------------------------------

    def _till_keys(self, branch: Ints, day: Ints) -> Bytes:
        """The key of the till of a branch on a day: the same for everybody who asks."""
        return keys_made(day * 86_400_000 + 8 * 3_600_000, 0xFFE, branch * 100_000 + day, self.salt)

    def _count_money(self, pattern: Pattern, branch: Ints, shift: Ints) -> None:
        for day, amount, method in pattern.money:
            at = np.clip(day + shift - self.books_from, 0, self.cash.shape[1] - 1)
            self.tills[branch, at] = True
            if method == "cash":
                np.add.at(self.cash, (branch, at), amount)

    # --- the end ----------------------------------------------------------------------------------------------------

    def _finish(self) -> None:
        with transaction.atomic():
            self._keep_series()
        with connection.cursor() as cursor:
            cursor.execute("ANALYZE")
        self.tell("number series, tills, ANALYZE")

    def _keep_series(self) -> None:
        NumberSeries.objects.bulk_create(
            (
                NumberSeries(
                    branch=self.group.shops[branch].branch,
                    kind=kind,
                    year=int(year) + FIRST_YEAR,
                    last=int(self.last[place, branch, year]),
                )
                for kind, place in self.kinds.items()
                for branch, year in zip(*np.nonzero(self.last[place]), strict=True)
            ),
            batch_size=500,
        )

    def _keep_tills(self) -> None:
        """A row for each day with money; each takes over what the day before left, nobody counts. The last is open."""
        rows = []
        for branch, shop in enumerate(self.group.shops):
            days = np.flatnonzero(self.tills[branch])
            keys = self._till_keys(np.full(len(days), branch), days + self.books_from)
            carried = Decimal(0)
            for day, key in zip(days.tolist(), keys, strict=True):
                on = dt.date(1970, 1, 1) + dt.timedelta(days=day + self.books_from)
                opened = dt.datetime.combine(on, dt.time(8), dt.UTC)
                left = carried + Decimal(int(self.cash[branch, day])).scaleb(-2)
                is_open = on == self.asked.until
                rows.append(
                    TillDay(
                        id=uuid.UUID(bytes=key.tobytes()),
                        created_at=opened,
                        branch=shop.branch,
                        till=TillDay.MAIN,
                        day=on,
                        state=TillDay.State.OPEN if is_open else TillDay.State.LAPSED,
                        currency=shop.branch.currency,
                        carried=carried,
                        opening_float=carried,
                        is_float_counted=False,
                        opened_at=opened,
                        opened_by=shop.people[0],
                        expected=None if is_open else left,
                        left_over=None if is_open else left,
                        closed_at=None if is_open else opened + dt.timedelta(hours=24),
                    )
                )
                carried = left
        TillDay.objects.bulk_create(rows, batch_size=1000)


def _days(day: dt.date) -> int:
    return (day - dt.date(1970, 1, 1)).days


def _keys(keys: list[uuid.UUID]) -> Bytes:
    return np.frombuffer(b"".join(key.bytes for key in keys), np.uint8).reshape(-1, 16)


def _lowered(letters: Bytes) -> Bytes:
    """As ``core.text.folded`` does with these letters."""
    return np.where((letters >= 65) & (letters <= 90), letters + 32, letters).astype(np.uint8)
