"""The embedded job runner: one thread for each queue, so that what hangs holds up its own queue only."""

from __future__ import annotations

import logging
import signal
import threading
import time
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import close_old_connections, connection

from opticshop.core.duties import QUEUES, Duty, all_duties
from opticshop.core.leases import run_leased

log = logging.getLogger("opticshop.duties")
TICK_SECONDS = 0.5


class Command(BaseCommand):
    help = "Run the recurring duties (events, messages) in this process. Use Celery instead where Redis is there."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--once", action="store_true", help="Run each duty once and leave.")
        parser.add_argument(
            "--grace", type=float, default=25.0, help="Seconds that running duties have to end when stopped (25)."
        )

    def handle(self, *args: Any, once: bool = False, grace: float = 25.0, **options: Any) -> None:
        if once:
            self._once()
            return
        stop = threading.Event()
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, lambda *_: stop.set())
        self.stdout.write(f"job runner: {', '.join(each.name for each in all_duties())}")
        threads = [
            threading.Thread(target=_work, args=(lane, stop), name=queue, daemon=True)
            for queue in QUEUES
            if (lane := [each for each in all_duties() if each.queue == queue])
        ]
        for thread in threads:
            thread.start()
        stop.wait()
        ends = time.monotonic() + grace
        for thread in threads:
            thread.join(max(0.0, ends - time.monotonic()))
        left = [thread.name for thread in threads if thread.is_alive()]
        # What is cut off here is found by the rows it left: its lease ends, its claims are settled as of a crash.
        self.stdout.write(f"job runner: stopped{', leaving ' + ', '.join(left) if left else ''}")

    def _once(self) -> None:
        """Each duty once; one that fails does not keep the others from being run."""
        failed = []
        for each in all_duties():
            try:
                self.stdout.write(f"{each.name}: {each.run()}")
            except Exception:
                log.exception("duty %s failed", each.name)
                failed.append(each.name)
        if failed:
            raise CommandError(f"These failed: {', '.join(failed)}.")


def _work(lane: list[Duty], stop: threading.Event) -> None:
    """Run the duties of one queue, each at its interval, until stopped."""
    due = {each.name: 0.0 for each in lane}
    while not stop.is_set():
        for each in lane:
            if time.monotonic() < due[each.name] or stop.is_set():
                continue
            due[each.name] = time.monotonic() + each.asked_every()
            close_old_connections()
            try:
                run_leased(each.name)
            except Exception:
                log.exception("duty %s failed", each.name)
        stop.wait(TICK_SECONDS)
    connection.close()
