"""Views of purchasing: ``suppliers`` what is sold to us, ``buying`` the documents, ``lenses`` special ones, finder."""

from __future__ import annotations

from . import buying, lenses, suppliers

routes = [*suppliers.routes, *buying.routes, *lenses.routes]
