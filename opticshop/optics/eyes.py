"""Right and left, nasal and temporal, in the one frame used throughout.

The examiner faces the wearer: x runs to the examiner's right, y up, angles counter-clockwise from x (TABO).
The wearer's right eye has its nasal side toward 0 degrees, the left eye toward 180.
"""

from __future__ import annotations

from enum import StrEnum


class Eye(StrEnum):
    """The wearer's eye."""

    RIGHT = "R"
    LEFT = "L"

    @property
    def nasal_sign(self) -> float:
        """+1 when the nasal side points along +x (right eye), -1 when it points along -x (left eye)."""
        return 1.0 if self is Eye.RIGHT else -1.0

    @property
    def other(self) -> Eye:
        return Eye.LEFT if self is Eye.RIGHT else Eye.RIGHT
