"""The square code on the tray: an opaque job id or number as a QR code (ISO/IEC 18004), drawn as vectors."""

from __future__ import annotations

import segno
from reportlab.platypus import Flowable

_QUIET_MODULES = 4


class TrayCode(Flowable):  # type: ignore[misc]
    """The code with its quiet zone, ``side`` points wide."""

    def __init__(self, content: str, side: float) -> None:
        super().__init__()
        self.rows = [bytes(row) for row in segno.make(content, error="m", micro=False).matrix]
        self.width = self.height = side
        self.hAlign = "RIGHT"

    def draw(self) -> None:
        step = self.width / (len(self.rows) + 2 * _QUIET_MODULES)
        self.canv.setFillGray(0)
        for down, row in enumerate(self.rows):
            y = self.height - (_QUIET_MODULES + down + 1) * step
            for start, length in _runs(row):
                self.canv.rect((_QUIET_MODULES + start) * step, y, length * step, step, stroke=0, fill=1)


def _runs(row: bytes) -> list[tuple[int, int]]:
    """(start, length) of each run of dark modules: one rectangle a run leaves no hairlines between modules."""
    runs: list[tuple[int, int]] = []
    for place, dark in enumerate(row):
        if not dark:
            continue
        if runs and sum(runs[-1]) == place:
            runs[-1] = (runs[-1][0], runs[-1][1] + 1)
        else:
            runs.append((place, 1))
    return runs
