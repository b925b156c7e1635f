"""What stands on the labels of shelves, drawers and packets, and what a scan of one says.

A frame has a trade item number of its own. A lens product has one for all its powers, so a packet of lenses carries
its power beside number and lot, as company data: that stays true when the packet moves to another branch. Numbers for
restricted circulation are never written as GS1 trade items. What has no number carries our own id as a QR code.
"""

from __future__ import annotations

import re
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from typing import Any

from opticshop.catalogue.gtin import gtin_normalised, is_restricted
from opticshop.core.actor import Actor
from opticshop.core.errors import Invalid, NotFound
from opticshop.documents import label_codes as codes
from opticshop.documents.errors import DocumentError
from opticshop.documents.label_faces import FrameFacts, Label, LensFacts, frame_label, lens_label
from opticshop.documents.label_layouts import LabelLayout
from opticshop.documents.labels import LAYOUTS, labels_pdf
from opticshop.documents.wording import money

from .models import Lot, StockItem
from .permissions import StockPermission
from .selectors import lots_visible_to

#: A sheet with so many labels takes seconds; nobody asks for more at once on purpose.
MOST_LABELS = 1000
#: Lower labels have no room for bars over the text; there a shelf carries the square code of the same number.
_LOW_MM = 25.0
_POWER = re.compile(r"([+-][0-9]{2}\.[0-9]{2})([+-][0-9]{2}\.[0-9]{2})", re.ASCII)


class LabelKind(StrEnum):
    SHELF = "shelf"
    PACKET = "packet"


class LabelSymbol(StrEnum):
    AUTO = "auto"
    EAN = "ean"
    DATA_MATRIX = "gs1_data_matrix"
    GS1_128 = "gs1_128"
    QR = "qr"


class LabelRefused(Invalid):
    """The label cannot be printed as asked: too small a size, no such place, or a code that cannot carry this."""

    code = "stock.label_refused"
    title = "The label cannot be printed like this"


@dataclass(frozen=True, slots=True)
class Scanned:
    """What a label says: our id of an item or lot, or number, lot code and power."""

    id: uuid.UUID | None = None
    gtin: str = ""
    lot_code: str = ""
    sphere_dpt: Decimal | None = None
    cylinder_dpt: Decimal | None = None


def labels_print(
    *,
    actor: Actor,
    kind: str,
    ids: Sequence[uuid.UUID],
    layout: str,
    start: int = 1,
    copies: int = 1,
    symbol: str = LabelSymbol.AUTO,
    with_price: bool = False,
) -> bytes:
    """A PDF of labels in the order of the ids: of items for ``shelf``, of lots of the actor's branches for ``packet``.

    Raises NotFound, LabelRefused, or GtinCheckDigit for an article whose number is wrong.
    """
    actor.require(StockPermission.VIEW)
    if len(ids) * copies > MOST_LABELS:
        raise LabelRefused(f"{len(ids) * copies} labels are too many at once.", field="copies", allowed=MOST_LABELS)
    paper = LAYOUTS[layout]
    rows: dict[uuid.UUID, Any] = _items(ids) if kind == LabelKind.SHELF else _lots(actor, ids)
    for wanted in ids:
        if wanted not in rows:
            raise NotFound(f"There is no {'item' if kind == LabelKind.SHELF else 'lot'} {wanted} here.", field="ids")
    try:
        made = {key: _label(row, paper, LabelSymbol(symbol), with_price) for key, row in rows.items()}
        labels = [made[wanted] for wanted in ids for _ in range(copies)]
        return labels_pdf(labels, paper, start=start, title=f"Labels: {kind}")
    except DocumentError as error:
        allowed = f"1 to {paper.per_page}" if error.field == "start" else None
        raise LabelRefused(error.detail, field=error.field, allowed=allowed) from error


def label_read(text: str) -> Scanned:
    """What was scanned from one of our labels or a GS1 code of a maker. Raises LabelRefused or GtinCheckDigit."""
    try:
        return Scanned(id=uuid.UUID(text))
    except ValueError:
        pass
    if text.isascii() and text.isdigit() and len(text) <= 14:
        return Scanned(gtin=gtin_normalised(text))
    try:
        elements = codes.elements_read(text)
    except DocumentError as error:
        raise LabelRefused(error.detail, field="code") from error
    power = _POWER.fullmatch(elements.get(codes.COMPANY, ""))
    sphere, cylinder = (Decimal(power[1]), Decimal(power[2])) if power else (None, None)
    return Scanned(None, elements.get(codes.GTIN, ""), elements.get(codes.LOT, ""), sphere, cylinder)


def _items(ids: Sequence[uuid.UUID]) -> dict[uuid.UUID, StockItem]:
    return StockItem.objects.select_related("frame", "lens").in_bulk(ids)


def _lots(actor: Actor, ids: Sequence[uuid.UUID]) -> dict[uuid.UUID, Lot]:
    return {lot.id: lot for lot in lots_visible_to(actor).filter(id__in=ids)}


def _label(row: StockItem | Lot, paper: LabelLayout, wanted: LabelSymbol, with_price: bool) -> Label:
    lot = row.code if isinstance(row, Lot) else ""
    item = row.item if isinstance(row, Lot) else row
    usual: tuple[LabelSymbol, ...] = (LabelSymbol.DATA_MATRIX, LabelSymbol.QR)
    if not lot and paper.label_mm[1] >= _LOW_MM:
        usual = (LabelSymbol.EAN, *usual)
    kinds = usual if wanted == LabelSymbol.AUTO else (wanted,)
    symbol = next(filter(None, (_symbol(kind, row.id, item, lot) for kind in kinds)), None)
    if symbol is None:
        raise LabelRefused(
            f"The number or the lot code of {item} cannot be written as {wanted}.",
            field="symbol",
            allowed=[LabelSymbol.AUTO, LabelSymbol.QR],
        )
    if item.lens is not None:
        return lens_label(symbol, _lens_facts(item), lot=lot)
    return frame_label(symbol, _frame_facts(item, with_price), lot=lot)


def _symbol(kind: LabelSymbol, row_id: uuid.UUID, item: StockItem, lot: str) -> codes.Symbol | None:
    """The symbol, or None when this kind cannot say which item or lot it is."""
    if kind == LabelSymbol.QR:
        return codes.opaque_code(str(row_id))
    gtin = gtin_normalised(_article(item).gtin)
    if not gtin or (item.lens is not None and not lot):
        return None
    if kind == LabelSymbol.EAN:
        return None if lot else codes.retail_code(gtin)
    if is_restricted(gtin) or (lot and not codes.can_be_element(codes.LOT, lot)):
        return None
    write = codes.gs1_data_matrix if kind == LabelSymbol.DATA_MATRIX else codes.gs1_128
    return write(gtin, lot, f"{item.sphere_dpt:+06.2f}{item.cylinder_dpt:+06.2f}" if item.lens is not None else "")


def _article(item: StockItem) -> Any:
    return item.frame if item.lens is None else item.lens


def _lens_facts(item: StockItem) -> LensFacts:
    lens: Any = item.lens
    return LensFacts(
        sku=lens.sku,
        name=lens.name,
        sphere_dpt=item.sphere_dpt or Decimal(0),
        cylinder_dpt=item.cylinder_dpt or Decimal(0),
        diameter_mm=lens.diameter_mm,
        index=lens.index,
        coating=lens.coating,
    )


def _frame_facts(item: StockItem, with_price: bool) -> FrameFacts:
    frame: Any = item.frame
    return FrameFacts(
        sku=frame.sku,
        name=frame.name,
        a_mm=frame.box_width_mm,
        dbl_mm=frame.bridge_mm,
        side_mm=frame.side_length_mm,
        colour=frame.colour,
        price=money(frame.price, frame.currency) if with_price else "",
    )
