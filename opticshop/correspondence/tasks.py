"""The duties that send, and that find the messages of early reports."""

from __future__ import annotations

from opticshop.core.actor import system
from opticshop.core.duties import duty

from . import services

CORRESPONDENCE = system("correspondence")


@duty("correspondence.send_due", every_seconds=5, queue="messages", at_once=4)
def send_due() -> int:
    return services.send_due(actor=CORRESPONDENCE)


@duty("correspondence.match_reports", every_seconds=60, queue="messages")
def match_reports() -> int:
    return services.reports_match(actor=CORRESPONDENCE)
