from __future__ import annotations

from .lists_api import routes as list_routes
from .promotions_api import routes as promotion_routes
from .vouchers_api import routes as voucher_routes

routes = [*list_routes, *promotion_routes, *voucher_routes]
