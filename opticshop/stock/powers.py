"""The power under which a lens lies in the drawer: minus-cylinder form, within the product's range and on its step.

A round single vision lens is turned to its axis when it is glazed, so the axis is no part of where it lies.
"""

from __future__ import annotations

from decimal import Decimal

from opticshop.catalogue.models import LensProduct
from opticshop.core.errors import Invalid


class NotAStockLens(Invalid):
    """Only finished single vision lenses are kept by sphere and cylinder; others are made for one wearer."""

    code = "stock.not_a_stock_lens"
    title = "This lens is not kept in stock"


class PowerNotStocked(Invalid):
    """The product is not made in this power: out of its range, or between its steps."""

    code = "stock.power_not_stocked"
    title = "The lens is not made in this power"


def minus_form(sphere_dpt: Decimal, cylinder_dpt: Decimal) -> tuple[Decimal, Decimal]:
    """Sphere and cylinder of the same lens with the cylinder zero or negative: S + C, -C for a positive C."""
    if cylinder_dpt > 0:
        sphere_dpt, cylinder_dpt = sphere_dpt + cylinder_dpt, -cylinder_dpt
    return sphere_dpt + 0, cylinder_dpt + 0  # adding 0 turns -0 into 0


def stocked_power(product: LensProduct, sphere_dpt: Decimal, cylinder_dpt: Decimal) -> tuple[Decimal, Decimal]:
    """The minus-cylinder form of a power in any form. Raises NotAStockLens or PowerNotStocked."""
    _check_kept(product)
    sphere, cylinder = minus_form(sphere_dpt, cylinder_dpt)
    step = product.power_step_dpt
    wrong = None
    if not product.sphere_min_dpt <= sphere <= product.sphere_max_dpt or sphere % step:
        wrong = "sphere_dpt"
    elif cylinder < -product.cylinder_max_dpt or cylinder % step:
        wrong = "cylinder_dpt"
    if wrong:
        raise PowerNotStocked(
            f"{product} is not made as {sphere:+.2f} / {cylinder:+.2f} D (minus-cylinder form).",
            field=wrong,
            allowed=f"sphere {product.sphere_min_dpt:+.2f} to {product.sphere_max_dpt:+.2f}, cylinder 0 to "
            f"{-product.cylinder_max_dpt:+.2f} D in minus-cylinder form, in steps of {step:.2f}",
        )
    return sphere, cylinder


def powers_in_range(product: LensProduct) -> tuple[list[Decimal], list[Decimal]]:
    """Every sphere of the product, ascending, and every cylinder from 0 to the strongest. Raises NotAStockLens."""
    _check_kept(product)
    step = product.power_step_dpt
    spheres = int((product.sphere_max_dpt - product.sphere_min_dpt) / step)
    cylinders = int(product.cylinder_max_dpt / step)
    return (
        [product.sphere_min_dpt + step * n for n in range(spheres + 1)],
        [-step * n + 0 for n in range(cylinders + 1)],
    )


def _check_kept(product: LensProduct) -> None:
    if product.kind != LensProduct.Kind.SINGLE_VISION or product.supply != LensProduct.Supply.FINISHED:
        raise NotAStockLens(f"{product} is no finished single vision lens.", field="lens")
