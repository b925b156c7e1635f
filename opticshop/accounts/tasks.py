from __future__ import annotations

from opticshop.core.duties import duty

from .services import attempts_forget, forget_ended


@duty("accounts.forget_ended", every_seconds=3600, queue="night")
def forget_ended_credentials() -> int:
    return forget_ended()


@duty("accounts.forget_attempts", every_seconds=24 * 3600, queue="night")
def forget_attempts() -> int:
    return attempts_forget()
