from __future__ import annotations

from opticshop.core.duties import duty
from opticshop.core.partitions import keep_due

from .pruning import ENTRIES, READS
from .sealing import seal_due


@duty("audit.seal", every_seconds=10)
def seal() -> int:
    """Chain what was written since the last seal."""
    return seal_due()


@duty("audit.keep_partitions", every_seconds=600, queue="night")
def keep_partitions() -> int:
    """Make room for the coming months, and begin the keys of this one."""
    return keep_due(ENTRIES) + keep_due(READS)
