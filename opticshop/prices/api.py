from __future__ import annotations

from .lists_api import routes as list_routes

routes = [*list_routes]
