"""One-line logs with the request id, without anything of people in them (``scrubbing``)."""

from __future__ import annotations

import logging
import time
from collections.abc import Mapping
from contextvars import ContextVar
from typing import Any

from opticshop.core.acting import opened

from . import env
from .scrubbing import scrubbed, texts_of, told, trace

request_id: ContextVar[str] = ContextVar("request_id", default="-")


class LineFormatter(logging.Formatter):
    """Every handler of ours has this one: a record of whatever library comes out scrubbed."""

    def format(self, record: logging.LogRecord) -> str:
        plain = logging.makeLogRecord(record.__dict__)
        plain.request_id = _request_of_the_work()
        plain.msg, plain.args, plain.exc_text = _message(record), (), None
        return super().format(plain)

    def formatException(self, ei: Any) -> str:
        return trace(ei[1], whole=_texts_are_kept()) if ei[1] is not None else ""


def _request_of_the_work() -> str:
    """The id of the request at hand, in a job that of the request which led to it."""
    known = request_id.get()
    if known != "-":
        return known
    trace = opened()
    return trace.request_id if trace is not None and trace.request_id else known


def _message(record: logging.LogRecord) -> str:
    """The message with exceptions told by their kind. One whose arguments do not fit is given as it was written."""
    error = record.exc_info[1] if record.exc_info else None
    whole = _texts_are_kept()
    try:
        message = str(record.msg) % _told(record.args, whole) if record.args else str(_words(record.msg, whole))
    except (TypeError, ValueError, KeyError):
        message = str(record.msg)
    if error is not None and not whole:
        for text in sorted(texts_of(error), key=len, reverse=True):
            message = message.replace(text, type(error).__name__)
    return scrubbed(message)


def _told(args: Any, whole: bool) -> Any:
    if not isinstance(args, Mapping):
        return tuple(_words(value, whole) for value in args)
    if not any(isinstance(value, BaseException) for value in args.values()):
        return args
    return {name: _words(value, whole) for name, value in args.items()}


def _words(value: Any, whole: bool) -> Any:
    return told(value, whole=whole) if isinstance(value, BaseException) else value


def _texts_are_kept() -> bool:
    return env.flag("OPTICSHOP_LOG_TEXTS", False)


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
