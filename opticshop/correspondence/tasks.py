"""The duty that sends."""

from __future__ import annotations

from opticshop.core.actor import system
from opticshop.core.duties import duty

from . import services

CORRESPONDENCE = system("correspondence")


@duty("correspondence.send_due", every_seconds=5)
def send_due() -> int:
    return services.send_due(actor=CORRESPONDENCE)
