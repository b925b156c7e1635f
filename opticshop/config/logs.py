"""One-line logs with the request id."""

from __future__ import annotations

import logging
import time
from contextvars import ContextVar

request_id: ContextVar[str] = ContextVar("request_id", default="-")


class LineFormatter(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        record.request_id = request_id.get()
        return super().format(record)


def line_formatter(*args: object, **kwargs: object) -> LineFormatter:
    return LineFormatter("%(asctime)s %(levelname)s %(name)s [%(request_id)s] %(message)s")


class ShortOnBeat(logging.Filter):
    """While Redis is away, beat fails to send each name, with pages of trace; one line in ten seconds does."""

    EVERY_SECONDS = 10.0

    def __init__(self) -> None:
        super().__init__()
        self._again_at, self._left_out = 0.0, 0

    def filter(self, record: logging.LogRecord) -> bool:
        if not record.exc_info or not str(record.msg).startswith("Message Error"):
            return True
        if time.monotonic() < self._again_at:
            self._left_out += 1
            return False
        record.msg, record.args = "%s (%s more of these were left out)", (record.exc_info[1], self._left_out)
        record.exc_info = record.exc_text = None
        self._again_at, self._left_out = time.monotonic() + self.EVERY_SECONDS, 0
        return True
