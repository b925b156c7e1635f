from __future__ import annotations

from opticshop.core.duties import duty

from .services import forget_ended


@duty("accounts.forget_ended", every_seconds=3600, queue="night")
def forget_ended_credentials() -> int:
    return forget_ended()
