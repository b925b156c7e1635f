"""Duties: copies are made and let go, what is over is found every day and carried out once it is approved."""

from __future__ import annotations

from opticshop.core.duties import duty

from . import services


@duty("privacy.make_copies", every_seconds=10, queue="imports", soft_seconds=540, hard_seconds=600)
def make_copies() -> int:
    return services.copies_make_due()


@duty("privacy.expire_copies", every_seconds=3600, queue="night")
def expire_copies() -> int:
    return services.copies_expire()


@duty("privacy.propose_retention", every_seconds=24 * 3600, queue="night", soft_seconds=1500, hard_seconds=1560)
def propose_retention() -> int:
    run = services.run_propose()
    return 0 if run is None else sum(run.found.values())


@duty("privacy.carry_out_retention", every_seconds=300, queue="night", soft_seconds=540, hard_seconds=600)
def carry_out_retention() -> int:
    return services.run_carry_out()
