from __future__ import annotations

from opticshop.core.duties import duty

from . import services
from .facts.building import facts_renew


@duty("reports.make", every_seconds=2, queue="reports", soft_seconds=540, hard_seconds=600)
def make_runs() -> int:
    return services.runs_make()


@duty("reports.schedule", every_seconds=60, queue="reports")
def make_scheduled() -> int:
    return services.schedules_due()


@duty("reports.send", every_seconds=30, queue="messages")
def send_mails() -> int:
    return services.mails_send()


@duty("reports.expire", every_seconds=3600, queue="night")
def expire_files() -> int:
    return services.runs_expire()


@duty("reports.facts", every_seconds=60, queue="night", soft_seconds=240, hard_seconds=300)
def renew_facts() -> int:
    return facts_renew()
