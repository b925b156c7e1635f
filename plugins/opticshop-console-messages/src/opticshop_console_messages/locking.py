"""A lock on an open file against other processes, where the system offers one."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import IO, Any

try:
    import fcntl
except ImportError:  # not a POSIX system: threads are kept apart by the channel, processes are not
    fcntl = None  # type: ignore[assignment]


@contextmanager
def locked(file: IO[Any]) -> Iterator[None]:
    """Hold an exclusive lock on `file`; closing the file releases it in any case."""
    if fcntl is None:
        yield
        return
    fcntl.flock(file, fcntl.LOCK_EX)
    try:
        yield
    finally:
        file.flush()
        fcntl.flock(file, fcntl.LOCK_UN)
