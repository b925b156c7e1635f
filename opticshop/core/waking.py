"""Waking a worker: the name of a duty is sent soon, once for many wishes, by a thread of its own.

Whoever wakes never waits for Redis. While Redis is away nothing is tried for a few seconds and the wishes are
forgotten: beat sends the name anyway, and rows decide what is due.
"""

from __future__ import annotations

import logging
import os
import threading
import time
from collections.abc import Callable

log = logging.getLogger("opticshop.duties")

#: Wishes for the same duty within this many seconds make one message.
GATHERED_SECONDS = 0.05
#: After a failure nothing is sent for so long.
PAUSE_SECONDS = 5.0


class Waker:
    """Sends the wished names by ``send``; starts its thread at the first wish, anew in a forked process."""

    def __init__(self, send: Callable[[str], None]) -> None:
        self._send = send
        self._lock = threading.Lock()
        self._wished: set[str] = set()
        self._something = threading.Event()
        self._thread_of = 0
        self._closed_until = 0.0

    def wish(self, name: str) -> None:
        """Never blocks, never raises."""
        if time.monotonic() < self._closed_until:
            return
        with self._lock:
            self._wished.add(name)
            if self._thread_of != os.getpid():
                self._thread_of = os.getpid()
                self._something = threading.Event()
                threading.Thread(target=self._work, args=(self._something,), name="waker", daemon=True).start()
        self._something.set()

    def _work(self, something: threading.Event) -> None:
        while True:
            something.wait()
            time.sleep(GATHERED_SECONDS)
            something.clear()
            with self._lock:
                names, self._wished = self._wished, set()
            for name in sorted(names):
                try:
                    self._send(name)
                except Exception as error:
                    self._closed_until = time.monotonic() + PAUSE_SECONDS
                    log.warning("could not wake %s, the next beat will: %s", name, error)
                    break
