"""The duty of orders: quotations whose last day has passed."""

from __future__ import annotations

from opticshop.core.actor import system
from opticshop.core.duties import duty

from . import quotations_services as quotations

ORDERS = system("orders")


@duty("orders.expire_quotations", every_seconds=3600, queue="night")
def expire_quotations() -> int:
    return quotations.quotations_expire(actor=ORDERS)
