from __future__ import annotations

from opticshop.core.duties import duty

from .sealing import seal_due


@duty("audit.seal", every_seconds=10)
def seal() -> int:
    """Chain what was written since the last seal."""
    return seal_due()
