from __future__ import annotations

from opticshop.core.duties import duty

from . import services


@duty("imports.apply", every_seconds=1, queue="imports", soft_seconds=540, hard_seconds=600)
def apply_rows() -> int:
    return services.imports_apply()


@duty("imports.try", every_seconds=2, queue="imports", soft_seconds=540, hard_seconds=600)
def try_files() -> int:
    return services.tries_due()
