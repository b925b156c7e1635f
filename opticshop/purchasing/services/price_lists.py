"""Taking in a price file of a supplier: every row is checked first, and either all of them are written or none."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from typing import Any

from django.db import transaction
from django.db.models import QuerySet

from opticshop.catalogue.models import Frame, LensProduct
from opticshop.core.actor import Actor
from opticshop.core.errors import Invalid
from opticshop.stock.powers import minus_form

from .. import csv_files, events
from ..models import Offer, PriceList, Supplier, SupplierPrice
from ..priced import PriceValues, check_price
from . import rows
from .suppliers import offer_insert

#: What a column of the file can be. ``sphere_dpt`` and ``cylinder_dpt`` name one power, in any cylinder form.
FIELDS = (
    "sku",
    "supplier_code",
    "gtin",
    "unit_cost",
    "currency",
    "valid_from",
    "pack_size",
    "sphere_dpt",
    "cylinder_dpt",
    "sphere_from_dpt",
    "sphere_to_dpt",
    "cylinder_from_dpt",
    "cylinder_to_dpt",
)
MOST_ERRORS = 500
_WRITTEN = ("supplier_code", "gtin", "unit_cost", "currency", "pack_size")
_CHUNK = 500


class ColumnsIncomplete(Invalid):
    """A price file needs a column for the cost, one that names the article, and a day, in a column or for all."""

    code = "purchasing.columns_incomplete"
    title = "A column is missing"


class NoRows(Invalid):
    """The file has headings but nothing below them."""

    code = "purchasing.no_rows"
    title = "The file has no rows"


class PriceListRejected(Invalid):
    """Some rows cannot be taken in, so none was; ``rows`` says which, what is wrong and what would be right."""

    code = "purchasing.price_list_rejected"
    title = "Nothing was imported: some rows are wrong"


@dataclass(frozen=True, slots=True)
class FileReading:
    """How a price file is to be read: our field -> its heading, and what holds for all rows."""

    columns: dict[str, str]
    encoding: str = "utf-8"
    delimiter: str = ","
    decimal_mark: str = "."
    currency: str = ""
    valid_from: dt.date | None = None

    def digest(self, content: bytes) -> str:
        """SHA-256 over the bytes and over how they are read: the same file read the same way is the same list."""
        how = json.dumps(
            [self.columns, self.encoding, self.delimiter, self.decimal_mark, self.currency], sort_keys=True
        )
        return hashlib.sha256(f"{how}|{self.valid_from}|".encode() + content).hexdigest()


@dataclass(frozen=True, slots=True)
class RowError:
    """What is wrong with one row; the headings are row 1."""

    row: int
    field: str
    column: str
    problem: str
    allowed: Any = None

    def as_dict(self) -> dict[str, Any]:
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(slots=True)
class ImportReport:
    """What an import did, or would do: ``price_list`` is None after a dry run."""

    rows: int = 0
    added: int = 0
    changed: int = 0
    unchanged: int = 0
    errors: list[RowError] = field(default_factory=list)
    price_list: PriceList | None = None
    already_imported: bool = False
    dry_run: bool = False


def price_list_import(
    *,
    actor: Actor,
    supplier: Supplier,
    content: bytes,
    reading: FileReading,
    file_name: str = "",
    dry_run: bool = False,
) -> ImportReport:
    """Take in a price file: all of it or nothing.

    The same file read the same way a second time changes nothing and is answered with the first import. A dry run
    reports the errors of its rows; otherwise they raise PriceListRejected. Raises what the reading of the file as a
    whole refuses.
    """
    rows.require_group(actor)
    _check_columns(reading)
    digest = reading.digest(content)
    with transaction.atomic():
        rows.locked(supplier)  # one price file of a supplier at a time
        known = PriceList.objects.filter(supplier=supplier, digest=digest).first()
        if known is not None:
            return ImportReport(known.rows, 0, 0, known.rows, price_list=known, already_imported=True, dry_run=dry_run)
        report = ImportReport(dry_run=dry_run)
        plan = _Plan(supplier, reading)
        table = list(csv_files.read(content, reading.columns, encoding=reading.encoding, delimiter=reading.delimiter))
        if not table:
            raise NoRows(field="content")
        report.rows = len(table)
        prices = plan.read(table, report)
        if report.errors or dry_run:
            if report.errors and not dry_run:
                raise PriceListRejected(
                    f"{len(report.errors)} of {report.rows} rows cannot be taken in.",
                    field="content",
                    rows=[error.as_dict() for error in report.errors[:MOST_ERRORS]],
                )
            return report
        report.price_list = PriceList(
            supplier=supplier,
            file_name=file_name,
            digest=digest,
            columns=reading.columns,
            rows=report.rows,
            added=report.added,
            changed=report.changed,
            unchanged=report.unchanged,
            imported_by_id=actor.id,
        )
        report.price_list.save(force_insert=True)
        _write(report.price_list, prices)
        rows.record(
            events.PRICE_LIST_IMPORTED,
            f"price-lists/{report.price_list.id}",
            actor,
            None,
            price_list=report.price_list.id,
            supplier=supplier.id,
            added=report.added,
            changed=report.changed,
            unchanged=report.unchanged,
        )
    return report


@dataclass(frozen=True, slots=True)
class _Priced:
    """A checked row: the article, what it costs, and the price of the same day that it corrects, if any."""

    article: Frame | LensProduct
    values: PriceValues
    existing: SupplierPrice | None


class _Refused(Exception):
    def __init__(self, name: str, problem: str, allowed: Any = None) -> None:
        super().__init__(problem)
        self.field, self.problem, self.allowed = name, problem, allowed


class _Plan:
    """Reads rows against what is known of the supplier, fetched once for the whole file."""

    def __init__(self, supplier: Supplier, reading: FileReading) -> None:
        self.supplier, self.reading = supplier, reading

    def read(self, table: Sequence[tuple[int, dict[str, str]]], report: ImportReport) -> list[_Priced]:
        """The rows that are to be written; errors and counts go into the report."""
        self._fetch([cells for _, cells in table])
        seen: dict[tuple[Any, ...], int] = {}
        packets: dict[str, tuple[Any, int]] = {}
        wanted: list[_Priced] = []
        for number, cells in table:
            try:
                priced = self._row(cells)
                key = (priced.article.id, priced.values.power_range, priced.values.valid_from)
                if key in seen:
                    raise _Refused("unit_cost", f"row {seen[key]} gives a price for the same powers and day")
                gtin = priced.values.gtin
                if gtin and packets.get(gtin, (key[:2], 0))[0] != key[:2]:
                    raise _Refused("gtin", f"row {packets[gtin][1]} gives this number to another article or power")
            except _Refused as error:
                column = self.reading.columns.get(error.field, "")
                report.errors.append(RowError(number, error.field, column, error.problem, error.allowed))
                continue
            seen[key] = number
            if gtin:
                packets[gtin] = (key[:2], number)
            if priced.existing is None:
                report.added += 1
            elif all(getattr(priced.existing, name) == getattr(priced.values, name) for name in _WRITTEN):
                report.unchanged += 1
                continue
            else:
                report.changed += 1
            wanted.append(priced)
        return wanted

    def _fetch(self, cells: list[dict[str, str]]) -> None:
        skus = {row["sku"] for row in cells if row.get("sku")}
        self.by_sku: dict[str, Frame | LensProduct] = {}
        for some in _chunks(sorted(skus)):
            for rows_of in (Frame.objects.filter(sku__in=some), LensProduct.objects.filter(sku__in=some)):
                self.by_sku |= {article.sku: article for article in _each(rows_of)}
        kept = SupplierPrice.objects.filter(offer__supplier=self.supplier)
        self.existing: dict[tuple[Any, ...], SupplierPrice] = {}
        self.by_code: dict[str, Frame | LensProduct] = {}
        self.by_gtin: dict[str, Frame | LensProduct] = {}
        for price in kept.select_related("offer__frame", "offer__lens").iterator(chunk_size=2000):
            article = price.offer.frame or price.offer.lens
            assert article is not None
            self.existing[article.id, price.power_range, price.valid_from] = price
            if price.supplier_code:
                self.by_code[price.supplier_code] = article
            if price.gtin:
                self.by_gtin[price.gtin] = article

    def _row(self, cells: dict[str, str]) -> _Priced:
        article = self._article(cells)
        bounds = self._bounds(cells)
        cost = self._decimal(cells, "unit_cost")
        if cost is None:
            raise _Refused("unit_cost", "there is no cost", "for instance 4.20")
        values = PriceValues(
            unit_cost=cost,
            currency=(cells.get("currency") or self.reading.currency or self.supplier.currency).upper(),
            valid_from=self._day(cells),
            supplier_code=cells.get("supplier_code", ""),
            gtin=cells.get("gtin", ""),
            pack_size=self._whole(cells, "pack_size", 1),
            **bounds,
        )
        if len(values.currency) != 3 or not values.currency.isascii() or not values.currency.isalpha():
            raise _Refused("currency", f"{values.currency!r} is no currency", "a code of ISO 4217, for instance GBP")
        if len(values.supplier_code) > 60:
            raise _Refused("supplier_code", "the code is too long", "60 characters")
        try:
            values = check_price(values, article)
        except Invalid as error:
            raise _Refused(self._column_for(error.field or "unit_cost"), error.detail, error.allowed) from error
        if values.gtin and self.by_gtin.get(values.gtin, article) != article:
            other = self.by_gtin[values.gtin]
            raise _Refused("gtin", f"{values.gtin} is the packet of {other}", "the number of this article's packet")
        return _Priced(article, values, self.existing.get((article.id, values.power_range, values.valid_from)))

    def _article(self, cells: dict[str, str]) -> Frame | LensProduct:
        if sku := cells.get("sku"):
            if found := self.by_sku.get(sku):
                return found
            raise _Refused("sku", f"{sku!r} is no article of ours", "a code of our catalogue")
        if (code := cells.get("supplier_code")) and code in self.by_code:
            return self.by_code[code]
        field_name = "sku" if "sku" in self.reading.columns else "supplier_code"
        raise _Refused(field_name, "the row names no article we know", "our code, or a code of theirs that we know")

    def _bounds(self, cells: dict[str, str]) -> dict[str, Decimal | None]:
        sphere, cylinder = self._decimal(cells, "sphere_dpt"), self._decimal(cells, "cylinder_dpt")
        if sphere is not None:
            sphere, cylinder = minus_form(sphere, cylinder or Decimal(0))
            return {
                "sphere_from_dpt": sphere,
                "sphere_to_dpt": sphere,
                "cylinder_from_dpt": cylinder,
                "cylinder_to_dpt": cylinder,
            }
        if cylinder is not None:
            raise _Refused("cylinder_dpt", "a cylinder without a sphere names no lens", "both, or neither")
        names = ("sphere_from_dpt", "sphere_to_dpt", "cylinder_from_dpt", "cylinder_to_dpt")
        return {name: self._decimal(cells, name) for name in names}

    def _column_for(self, name: str) -> str:
        """Our field for which the file has a column: a single power stands for both ends of its range."""
        single = name.replace("_from_", "_").replace("_to_", "_")
        return single if name not in self.reading.columns and single in self.reading.columns else name

    def _decimal(self, cells: dict[str, str], name: str) -> Decimal | None:
        text = cells.get(name, "")
        if not text:
            return None
        mark = self.reading.decimal_mark
        plain = text.replace(",", ".") if mark == "," else text
        try:
            value = Decimal(plain)
        except InvalidOperation:
            value = Decimal("NaN")
        if not value.is_finite() or not plain.isascii() or "_" in plain or abs(value.adjusted()) > 12:
            raise _Refused(name, f"{text!r} is no number", f"digits with {mark!r} before the decimals")
        if name.endswith("_dpt") and (abs(value) > 100 or value != round(value, 2)):
            raise _Refused(name, f"{text!r} is no power", "dioptres with at most two decimals")
        return value

    def _whole(self, cells: dict[str, str], name: str, default: int) -> int:
        text = cells.get(name, "")
        if not text:
            return default
        if not (text.isascii() and text.isdigit() and len(text) < 9):
            raise _Refused(name, f"{text!r} is no whole number", "a whole number from 1")
        return int(text)

    def _day(self, cells: dict[str, str]) -> dt.date:
        text = cells.get("valid_from", "")
        if not text:
            if self.reading.valid_from is None:
                raise _Refused("valid_from", "there is no day", "YYYY-MM-DD")
            return self.reading.valid_from
        try:
            return dt.date.fromisoformat(text)
        except ValueError as error:
            raise _Refused("valid_from", f"{text!r} is no day", "YYYY-MM-DD") from error


def _check_columns(reading: FileReading) -> None:
    columns = reading.columns
    if "unit_cost" not in columns:
        raise ColumnsIncomplete("Say which column holds the cost.", field="columns/unit_cost")
    if "sku" not in columns and "supplier_code" not in columns:
        raise ColumnsIncomplete("Say which column names the article.", field="columns/sku")
    if "valid_from" not in columns and reading.valid_from is None:
        raise ColumnsIncomplete("Say from which day the prices hold.", field="valid_from")


def _write(price_list: PriceList, prices: list[_Priced]) -> None:
    """Write checked rows; offers the supplier did not make yet are made."""
    offers: dict[Any, Offer] = {
        offer.frame_id or offer.lens_id: offer for offer in Offer.objects.filter(supplier=price_list.supplier)
    }
    new, corrected = [], []
    for priced in prices:
        if priced.existing is not None:
            for name in _WRITTEN:
                setattr(priced.existing, name, getattr(priced.values, name))
            priced.existing.price_list = price_list
            corrected.append(priced.existing)
            continue
        offer = offers.get(priced.article.id)
        if offer is None:
            offer = offers[priced.article.id] = offer_insert(price_list.supplier, priced.article)
        row = priced.values.row(offer)
        row.price_list = price_list
        new.append(row)
    SupplierPrice.objects.bulk_create(new, batch_size=_CHUNK)
    SupplierPrice.objects.bulk_update(corrected, [*_WRITTEN, "price_list"], batch_size=_CHUNK)


def _chunks(values: list[str]) -> Iterator[list[str]]:
    for start in range(0, len(values), _CHUNK):
        yield values[start : start + _CHUNK]


def _each(found: QuerySet[Any]) -> Iterator[Any]:
    yield from found
