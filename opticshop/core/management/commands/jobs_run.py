"""The embedded job runner: calls every duty at its own interval until stopped. For one shop without Redis."""

from __future__ import annotations

import logging
import signal
import threading
import time
from typing import Any

from django.core.management.base import BaseCommand, CommandParser
from django.db import close_old_connections

from opticshop.core.duties import all_duties

log = logging.getLogger("opticshop.duties")


class Command(BaseCommand):
    help = "Run the recurring duties (events, messages) in this process. Use Celery instead where Redis is there."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--once", action="store_true", help="Run each duty once and leave.")

    def handle(self, *args: Any, once: bool = False, **options: Any) -> None:
        if once:
            for each in all_duties():
                self.stdout.write(f"{each.name}: {each.run()}")
            return
        stop = threading.Event()
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, lambda *_: stop.set())
        due = {each.name: 0.0 for each in all_duties()}
        self.stdout.write(f"job runner: {', '.join(due)}")
        while not stop.is_set():
            for each in all_duties():
                if time.monotonic() < due[each.name]:
                    continue
                close_old_connections()
                try:
                    each.run()
                except Exception:
                    log.exception("duty %s failed", each.name)
                due[each.name] = time.monotonic() + each.every_seconds
            stop.wait(0.5)
        self.stdout.write("job runner: stopped")
