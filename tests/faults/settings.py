"""Settings of the processes of a fault run: those of production, and a clock that a file can set wrong."""

from __future__ import annotations

import datetime as dt
import os
from pathlib import Path

from opticshop.config.settings.base import *  # noqa: F403
from opticshop.core import clock

SECRET_KEY = "a-key-for-tests-only-and-nothing-else-0000"
OPTICSHOP_JOBS = "celery"
_offset = Path(os.environ["FAULT_CLOCK"])


def _now() -> dt.datetime:
    """The time with the error, in seconds, that the file holds."""
    return clock._fixed.get() or dt.datetime.now(dt.UTC) + dt.timedelta(seconds=float(_offset.read_text() or 0))


# Before any model is loaded, so that their defaults have the wrong time as well.
clock.now = _now
