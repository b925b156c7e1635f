"""What the duties did last and what waits, for whoever looks after the service."""

from __future__ import annotations

from typing import Any

import redis
from django.conf import settings
from django.core.management.base import BaseCommand
from redis.backoff import NoBackoff
from redis.retry import Retry

from opticshop.config import measuring
from opticshop.core.duties import QUEUES


class Command(BaseCommand):
    help = "Show each duty with its last runs, what waits, and the messages in Redis. Ends with 1 if a duty is late."

    def handle(self, *args: Any, **options: Any) -> None:
        late = 0
        self.stdout.write(
            f"{'duty':34} {'queue':9} {'every':>8} {'succeeded':>12} {'handled':>8} {'runs':>8} {'failed':>7}  state"
        )
        for run in measuring.duty_runs():
            each = run["duty"]
            late += run["late"]
            since = f"{measuring.age(run['succeeded_at']):.0f} s ago" if run["succeeded_at"] else "never"
            state = "runs now" if run["running"] else "late" if run["late"] else "ok"
            self.stdout.write(
                f"{each.name:34} {each.queue:9} {each.every_seconds:>6.0f} s {since:>12} {run['handled']:>8} "
                f"{run['runs']:>8} {run['failures']:>7}  {state}"
            )
            if run["error"]:
                self.stdout.write(f"    last error: {run['error'].splitlines()[0][:150]}")
        self.stdout.write("")
        waiting = [("events", "", *measuring.events_waiting()), ("webhooks", "", *measuring.webhooks_waiting())]
        for queue, channel, oldest, depth in [*waiting, *measuring.messages_waiting()]:
            self.stdout.write(f"{depth} due in {queue} {channel}".rstrip() + f", the oldest for {oldest:.0f} s")
        if settings.REDIS_URL:
            self.stdout.write(f"in Redis: {_depths()}")
        if late:
            raise SystemExit(1)


def _depths() -> str:
    """How many names of duties lie in each queue of the broker."""
    patience = {"socket_timeout": 1, "socket_connect_timeout": 1}
    try:
        with redis.Redis.from_url(settings.REDIS_URL, retry=Retry(NoBackoff(), 0), **patience) as asked:
            return ", ".join(f"{name} {asked.llen(name)}" for name in QUEUES)
    except (redis.RedisError, OSError) as error:
        return f"it does not answer ({error})"
