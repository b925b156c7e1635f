"""What may end a backup or a restore before its time, as words for whoever typed the command."""

from __future__ import annotations

import errno
import signal
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

import psycopg
from django.db.utils import Error as DatabaseError

#: What a disk says that takes no more: full, over the quota, read only.
NO_ROOM = {errno.ENOSPC, errno.EDQUOT, errno.EROFS}
_STOPS = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)


class BackupRefused(Exception):
    """What was asked for cannot be done; the words are for whoever typed the command."""


class Stopped(BaseException):
    """A signal asked us to end. No ``except Exception`` takes it, so that everything half done is taken away."""

    def __init__(self, number: int) -> None:
        super().__init__(f"Stopped by {signal.Signals(number).name}.")
        self.number = number


@contextmanager
def put_in_words() -> Iterator[None]:
    """What a disk or a database refuses is a refusal of ours: no list of calls is printed (``--traceback`` does)."""
    try:
        yield
    except OSError as error:
        place = f" ({error.filename})" if error.filename else ""
        raise BackupRefused(f"{error.strerror or error}{place}.") from error
    except (sqlite3.Error, psycopg.Error, DatabaseError) as error:
        raise BackupRefused(f"The database says: {str(error).strip()[:2000]}") from error


@contextmanager
def stopped_orderly() -> Iterator[None]:
    """SIGTERM, SIGHUP and Ctrl-C raise ``Stopped``, so that nothing half written stays behind."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    before = {number: signal.signal(number, _stop) for number in _STOPS}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def past_stopping() -> None:
    """From here to the end of ``stopped_orderly`` no such signal is heeded: what was begun is finished."""
    if threading.current_thread() is threading.main_thread():
        for number in _STOPS:
            if signal.getsignal(number) is _stop:
                signal.signal(number, signal.SIG_IGN)


def _stop(number: int, frame: FrameType | None) -> None:
    past_stopping()  # what is taken away now is taken away whole
    raise Stopped(number)
