"""One-line logs with the request id."""

from __future__ import annotations

import logging
from contextvars import ContextVar

request_id: ContextVar[str] = ContextVar("request_id", default="-")


class LineFormatter(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        record.request_id = request_id.get()
        return super().format(record)


def line_formatter(*args: object, **kwargs: object) -> LineFormatter:
    return LineFormatter("%(asctime)s %(levelname)s %(name)s [%(request_id)s] %(message)s")
