"""The duty that counts what is too dear to count at every scrape."""

from __future__ import annotations

from opticshop.core.duties import duty

from . import measuring


@duty("config.measure", every_seconds=300, queue="night", soft_seconds=240, hard_seconds=300)
def measure() -> int:
    return measuring.measure()
