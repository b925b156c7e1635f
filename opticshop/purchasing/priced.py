"""What a price says, checked against the article it is for; the same rules for one price and for a price file."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from decimal import Decimal

from opticshop.catalogue.gtin import gtin_normalised
from opticshop.catalogue.models import Frame, LensProduct
from opticshop.core.errors import Invalid
from opticshop.core.money import minor_unit, rounded

from .models import Offer, SupplierPrice

LARGEST_PACK = 1000
LARGEST_COST = Decimal("99999999.99")
_BOUNDS = ("sphere_from_dpt", "sphere_to_dpt", "cylinder_from_dpt", "cylinder_to_dpt")


class PriceNotPayable(Invalid):
    """The cost is negative, too large, or has more decimals than its currency has coins."""

    code = "purchasing.price_not_payable"
    title = "Nobody can pay this cost"


class PackSizeWrong(Invalid):
    """A packet holds a whole number of pieces, at least one."""

    code = "purchasing.pack_size_wrong"
    title = "The pack size cannot be right"


class PowerRangeWrong(Invalid):
    """A range of powers is for a lens, has both its ends in order, and lies within what the lens is made in."""

    code = "purchasing.power_range_wrong"
    title = "The range of powers cannot be right"


@dataclass(frozen=True, slots=True)
class PriceValues:
    """A price as given. The four bounds are in dioptres, minus-cylinder form, both ends included."""

    unit_cost: Decimal
    currency: str
    valid_from: dt.date
    supplier_code: str = ""
    gtin: str = ""
    pack_size: int = 1
    sphere_from_dpt: Decimal | None = None
    sphere_to_dpt: Decimal | None = None
    cylinder_from_dpt: Decimal | None = None
    cylinder_to_dpt: Decimal | None = None

    @property
    def power_range(self) -> str:
        """The bounds as text; empty for all powers."""
        if self.sphere_from_dpt is None and self.cylinder_from_dpt is None:
            return ""
        ends = ("" if end is None else f"{end:+.2f}" for end in (getattr(self, name) for name in _BOUNDS))
        return " ".join(end or "*" for end in ends)

    def row(self, offer: Offer) -> SupplierPrice:
        """The unsaved row of the price for an offer."""
        return SupplierPrice(
            offer=offer, power_range=self.power_range, **{name: getattr(self, name) for name in self.__slots__}
        )


def check_price(values: PriceValues, article: Frame | LensProduct | None) -> PriceValues:
    """The values with the GTIN as fourteen digits. Raises PriceNotPayable, PackSizeWrong, PowerRangeWrong, Gtin..."""
    cost, currency = values.unit_cost, values.currency
    if not 0 <= cost <= LARGEST_COST or rounded(cost, currency) != cost:
        raise PriceNotPayable(
            f"{cost} {currency} is no cost.",
            field="unit_cost",
            allowed=f"0 to {LARGEST_COST} in steps of {minor_unit(currency)}",
        )
    if not 1 <= values.pack_size <= LARGEST_PACK:
        raise PackSizeWrong(f"{values.pack_size} is no pack size.", field="pack_size", allowed=f"1 to {LARGEST_PACK}")
    for name in ("sphere", "cylinder"):
        _check_ends(name, getattr(values, f"{name}_from_dpt"), getattr(values, f"{name}_to_dpt"))
    if values.power_range:
        _check_range(values, article)
    return replace(values, gtin=gtin_normalised(values.gtin))


def _check_ends(name: str, low: Decimal | None, high: Decimal | None) -> None:
    if (low is None) != (high is None):
        missing = f"{name}_to_dpt" if high is None else f"{name}_from_dpt"
        raise PowerRangeWrong(f"The {name} has one end only.", field=missing, allowed="both ends, or none")
    if low is not None and high is not None and low > high:
        raise PowerRangeWrong(
            f"The {name} runs from {low:+} to {high:+}.", field=f"{name}_from_dpt", allowed=f"{high} or less"
        )


def _check_range(values: PriceValues, article: Frame | LensProduct | None) -> None:
    if not isinstance(article, LensProduct):
        field = next(name for name in _BOUNDS if getattr(values, name) is not None)
        raise PowerRangeWrong("Only a lens has powers.", field=field, allowed="no range for a frame")
    limits = {
        "sphere": (article.sphere_min_dpt, article.sphere_max_dpt),
        "cylinder": (-article.cylinder_max_dpt, Decimal(0)),
    }
    for name, (low, high) in limits.items():
        for end in ("from", "to"):
            value = getattr(values, f"{name}_{end}_dpt")
            if value is not None and not low <= value <= high:
                raise PowerRangeWrong(
                    f"{article} is made with a {name} of {low:+} to {high:+} D, not {value:+}.",
                    field=f"{name}_{end}_dpt",
                    allowed=f"{low} to {high} (minus-cylinder form)",
                )
