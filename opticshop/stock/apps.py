from typing import Any

from django.apps import AppConfig
from django.conf import settings
from django.core import checks


class StockConfig(AppConfig):
    name = "opticshop.stock"
    label = "stock"


@checks.register
def valuation_method_known(app_configs: Any, **kwargs: Any) -> list[checks.CheckMessage]:
    from .costing import Method

    if settings.OPTICSHOP_STOCK_VALUATION in list(Method):
        return []
    allowed = " or ".join(Method)
    return [
        checks.Error(
            f"OPTICSHOP_STOCK_VALUATION is {settings.OPTICSHOP_STOCK_VALUATION!r}; it must be {allowed}.",
            id="stock.E001",
        )
    ]
