"""From a scanned code to the item it is: by its trade item number, or by a lot that the branch has had before."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from opticshop.catalogue.models import Frame, LensProduct
from opticshop.core.errors import Invalid
from opticshop.stock import services as stock
from opticshop.stock.models import Lot, StockItem
from opticshop.stock.powers import minus_form

from ..codes import ScannedCode
from ..models import Delivery, SupplierPrice


class UnknownGtin(Invalid):
    """No frame, lens or packet in a price list has this number; nothing is taken in under a guess."""

    code = "purchasing.unknown_gtin"
    title = "Nobody knows this trade item number"


class UnknownPacket(Invalid):
    """The branch has had no lot with this code; scan the trade item number and give the lot beside it."""

    code = "purchasing.unknown_packet"
    title = "Nobody knows this packet code"


class AmbiguousPacket(Invalid):
    """The code fits several items of the branch; scan the trade item number and give the lot beside it."""

    code = "purchasing.ambiguous_packet"
    title = "This packet code fits several items"


class PowerNeeded(Invalid):
    """The number is that of the lens product in all its powers; give the power on the packet."""

    code = "purchasing.power_needed"
    title = "The power on the packet is needed"


class PowerDiffers(Invalid):
    """The power given is not the one that the number of the packet stands for."""

    code = "purchasing.power_differs"
    title = "The packet is for another power"


class LotDiffers(Invalid):
    """The lot given is not the one in the scanned code."""

    code = "purchasing.lot_differs"
    title = "The packet is of another lot"


@dataclass(frozen=True, slots=True)
class Packet:
    """What a code stands for: the item, how many pieces a packet holds, its number and lot."""

    item: StockItem
    pieces: int
    gtin: str
    lot_code: str


def packet_of(delivery: Delivery, code: ScannedCode, *, lot_code: str, power: tuple[Decimal, Decimal] | None) -> Packet:
    """The packet that was scanned for a delivery; a lot that nobody names is the delivery itself.

    ``power`` is what the person reads on the packet, in any cylinder form. Raises the refusals above, and what stock
    refuses to keep.
    """
    if lot_code and code.lot_code and lot_code != code.lot_code:
        raise LotDiffers(f"The code says {code.lot_code}.", field="lot_code", allowed=code.lot_code)
    lot_code = code.lot_code or lot_code
    if code.text:
        item = _item_of_lot(delivery, code.text)
        _check_power(item, power)
        return Packet(item, 1, "", lot_code or code.text)
    price = _price_with(delivery, code.gtin)
    article = _article_with(code.gtin, price)
    pieces = price.pack_size if price else 1
    if isinstance(article, Frame):
        if power is not None:
            raise PowerDiffers(f"{article} is a frame.", field="sphere_dpt", allowed="no power")
        item = stock.frame_item_ensure(article)
    else:
        item = _lens_item(article, price, power)
    return Packet(item, pieces, code.gtin, lot_code or delivery.number)


def _price_with(delivery: Delivery, gtin: str) -> SupplierPrice | None:
    """The newest price with this number, one of the delivering supplier before any other."""
    prices = SupplierPrice.objects.filter(gtin=gtin).select_related("offer__frame", "offer__lens")
    own = [price for price in prices if price.offer.supplier_id == delivery.supplier_id]
    return max(own or prices, key=lambda price: (price.valid_from, price.id.int), default=None)


def _article_with(gtin: str, price: SupplierPrice | None) -> Frame | LensProduct:
    found: Frame | LensProduct | None = (price.offer.frame or price.offer.lens) if price else None
    found = found or Frame.objects.filter(gtin=gtin).first() or LensProduct.objects.filter(gtin=gtin).first()
    if found is None:
        raise UnknownGtin(
            f"{gtin} is no frame, no lens and no packet of a price list.",
            field="code",
            allowed="a number in the catalogue or in a price list; head office adds it",
        )
    return found


def _lens_item(lens: LensProduct, price: SupplierPrice | None, power: tuple[Decimal, Decimal] | None) -> StockItem:
    printed = _single_power(price)
    if power is None and printed is None:
        raise PowerNeeded(f"{lens} comes in many powers.", field="sphere_dpt", allowed="sphere and cylinder")
    if power is not None and printed is not None and minus_form(*power) != printed:
        raise PowerDiffers(
            f"The packet is {printed[0]:+.2f} / {printed[1]:+.2f} D.",
            field="sphere_dpt",
            allowed={"sphere_dpt": str(printed[0]), "cylinder_dpt": str(printed[1])},
        )
    sphere, cylinder = printed or power or (Decimal(0), Decimal(0))
    return stock.lens_item_ensure(lens, sphere, cylinder)


def _single_power(price: SupplierPrice | None) -> tuple[Decimal, Decimal] | None:
    """The one power of a packet, where its price is for exactly one."""
    if price is None or price.sphere_from_dpt is None or price.sphere_from_dpt != price.sphere_to_dpt:
        return None
    if price.cylinder_from_dpt is None or price.cylinder_from_dpt != price.cylinder_to_dpt:
        return None
    return price.sphere_from_dpt, price.cylinder_from_dpt


def _item_of_lot(delivery: Delivery, code: str) -> StockItem:
    lots = Lot.objects.everywhere("of the branch of a delivery that was shown").filter(
        branch_id=delivery.branch_id, code=code
    )
    items = list(StockItem.objects.filter(lots__in=lots).select_related("frame", "lens").distinct()[:2])
    if not items:
        raise UnknownPacket(f"{code!r} is no lot of this branch.", field="code", allowed="a GTIN, or a lot we have had")
    if len(items) > 1:
        raise AmbiguousPacket(f"Lot {code!r} holds several items.", field="code", allowed="the GTIN on the packet")
    return items[0]


def _check_power(item: StockItem, power: tuple[Decimal, Decimal] | None) -> None:
    if power is None:
        return
    if item.sphere_dpt is None or minus_form(*power) != (item.sphere_dpt, item.cylinder_dpt):
        raise PowerDiffers(
            f"The lot is of {item}.",
            field="sphere_dpt",
            allowed={"sphere_dpt": str(item.sphere_dpt), "cylinder_dpt": str(item.cylinder_dpt)},
        )
