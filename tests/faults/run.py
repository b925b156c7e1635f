"""Fault run: notices to many people while workers are killed, Redis is flushed, the database restarted, time is wrong.

``python -m tests.faults.run --people 20000`` prints a table and ends with 1 when anything does not add up. It starts a
PostgreSQL, a Redis, three workers and two beats of its own; a third sender sends every duty twice.
"""

from __future__ import annotations

import argparse
import datetime as dt
import os
import signal
import sys
import threading
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from .carrier import Carrier
from .machines import Machines, missing, until

HELD_SECONDS = 5.0


@dataclass
class Told:
    """What a run found: faults with their recovery times, counts, and what does not add up."""

    faults: list[tuple[str, float, float, float]] = field(default_factory=list)  # what, at, lasted, recovered after
    counts: dict[str, Any] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)


class Run:
    def __init__(
        self, people: int, *, machines: Machines | None = None, quiet: bool = False, leap: float = 4.0
    ) -> None:
        self.people, self.quiet, self.leap = people, quiet, leap
        self.machines = machines or Machines()
        self.carrier = Carrier()
        self.told = Told()
        self.over = threading.Event()
        self.offset = 0.0
        self.wakes, self.sent_twice = False, 0

    def say(self, words: str) -> None:
        if not self.quiet:
            print(f"{time.monotonic() - self.began:7.1f} s  {words}", flush=True)

    # --- the run ----------------------------------------------------------------------------------------------------
    def go(self, faults: Sequence[str]) -> Told:
        self.began = time.monotonic()
        try:
            self._prepare()
            self.began = time.monotonic()
            self.machines.start_celery(self.environment)
            for target in (self._supervise, self._send_twice):
                threading.Thread(target=target, daemon=True).start()
            until(lambda: self.carrier.accepted, 120, "no worker has sent anything")
            self.told.counts["seconds until the first message"] = round(time.monotonic() - self.began, 1)
            self._break(faults)
            self._end()
            self.told.counts["seconds in all"] = round(time.monotonic() - self.began, 1)
            self._count()
        finally:
            self.over.set()
            self.machines.close(keep_files=bool(self.told.wrong) and not self.quiet)
            self.carrier.shut()
        return self.told

    def _prepare(self) -> None:
        self.machines.start_database()
        self.machines.start_redis()
        self.environment = self.machines.environment(self.carrier.port)
        for name in ("DJANGO_SETTINGS_MODULE", "DATABASE_URL", "REDIS_URL", "FAULT_CARRIER", "FAULT_CLOCK"):
            os.environ[name] = self.environment[name]
        import django

        django.setup()
        from django.core.management import call_command

        call_command("migrate", verbosity=0)
        self.say("database ready")
        from .people import seed

        seed(self.people)
        self.say(f"{self.people} people are due")

    def _supervise(self) -> None:
        while not self.over.wait(1.0):
            if not self.over.is_set():
                self.machines.keep_up()

    def _send_twice(self) -> None:
        """A third sender beside the two beats: the name of each duty twice, at its interval."""
        from kombu import Connection

        from opticshop.core.duties import all_duties
        from opticshop.core.tasks import message_options, run_duty_task

        due: dict[str, float] = {}
        while not self.over.wait(0.2):
            now = time.monotonic()
            names = [each for each in all_duties() if due.get(each.name, 0.0) <= now]
            try:
                with Connection(self.environment["REDIS_URL"], connect_timeout=1) as redis:
                    for each in names:
                        due[each.name] = now + self.interval(each)
                        for _ in range(2):
                            options = {**message_options(each), "retry": False, "connection": redis}
                            run_duty_task.apply_async(args=(each.name,), kwargs={"woken": self.wakes}, **options)
                            self.sent_twice += 1
            except Exception as error:
                self.say(f"nothing can be sent: {error}")  # Redis is away: that is one of the faults

    def interval(self, each: Any) -> float:
        return each.asked_every()

    # --- what breaks ------------------------------------------------------------------------------------------------
    def _break(self, names: Sequence[str]) -> None:
        """Each fault when its share of the work is done, so that it always meets work."""
        for number, name in enumerate(names, start=1):
            share = self.people * 0.9 * number / (len(names) + 1)
            until(lambda share=share: len(self.carrier.accepted) >= share, 900, f"work has stopped before: {name}")
            at = time.monotonic()
            getattr(self, f"fault_{name}")()
            ended = time.monotonic()
            until(lambda ended=ended: self.carrier.last_accepted_at > ended, 300, f"no message after: {name}")
            again = self.carrier.last_accepted_at - ended
            self.told.faults.append((name.replace("_", " "), at - self.began, ended - at, again))
            self.say(f"{name}: lasted {ended - at:.1f} s, the next message {again:.1f} s after it")

    def fault_kill_a_worker(self) -> None:
        self.machines.kill_worker()

    def fault_kill_a_child(self) -> None:
        self.machines.kill_worker(child_only=True)

    def fault_kill_all_workers(self) -> None:
        self.machines.kill_all_workers()

    def fault_flush_redis(self) -> None:
        self.machines.flush_redis()

    def fault_redis_away(self) -> None:
        self.machines.kill_redis()
        time.sleep(HELD_SECONDS)
        self.machines.start_redis()

    def fault_restart_database(self) -> None:
        self.machines.restart_database()

    def fault_clock_an_hour_ahead(self) -> None:
        self._shift(3600)
        time.sleep(HELD_SECONDS)
        self._shift(-3600)

    def fault_clock_an_hour_behind(self) -> None:
        self._shift(-3600)
        time.sleep(HELD_SECONDS)
        self._shift(3600)

    def fault_carrier_away(self) -> None:
        self.carrier.shut()
        time.sleep(HELD_SECONDS)
        self.carrier.open()

    def _shift(self, seconds: float) -> None:
        self.offset += seconds
        beside = self.machines.clock.with_suffix(".new")
        beside.write_text(str(self.offset))
        beside.replace(self.machines.clock)

    # --- the end ----------------------------------------------------------------------------------------------------
    def _end(self) -> None:
        """Let time pass in leaps until every message is settled: pauses between attempts are up to hours long."""
        from django.db import connection

        from opticshop.core.models import EventDelivery
        from opticshop.correspondence.models import Message

        connection.close()  # a restart of the database has cut it
        open_ones = Message.objects.everywhere("a fault run").filter(state__in=["queued", "sending"])
        ends, before, quiet_since = time.monotonic() + 900, -1, time.monotonic()
        self.carrier.behaves = True
        while time.monotonic() < ends:
            left = open_ones.count()
            events = EventDelivery.objects.filter(state="pending").count()
            if not left and not events:
                return
            if (left, events) != before:
                before, quiet_since = (left, events), time.monotonic()
            if time.monotonic() - quiet_since > self.leap:
                self._shift(1200)
                quiet_since = time.monotonic()
                self.say(f"leap of 20 minutes; {left} messages and {events} deliveries of events are open")
            time.sleep(0.5)
        self.told.wrong.append("not everything was settled in 15 minutes")

    def _count(self) -> None:
        from opticshop.core.models import EventDelivery, OutboxEvent
        from opticshop.correspondence.models import Message

        rows = list(Message.objects.everywhere("a fault run").values_list("id", "state", "to", "detail", "attempts"))
        accepted, wrong = self.carrier.accepted, self.told.wrong
        sent = {str(row[0]) for row in rows if row[1] == "sent"}
        unknown = {str(row[0]) for row in rows if row[1] == "failed" and "not known" in row[3]}
        refused = {str(row[0]) for row in rows if row[1] == "failed"} - unknown
        other = Counter(row[1] for row in rows if row[1] not in {"sent", "failed"})
        by_address = Counter(accepted.values())
        events = Counter(
            OutboxEvent.objects.filter(
                type__in=[f"correspondence.{kind}" for kind in ("queued", "sent", "failed")]
            ).values_list("type", flat=True)
        )
        pending = Counter(EventDelivery.objects.exclude(state="done").values_list("state", flat=True))
        self.told.counts |= {
            "people due": self.people,
            "accepted by the carrier": len(accepted),
            "rows sent": len(sent),
            "rows failed, outcome not known": len(unknown),
            "  of these accepted by the carrier": len(unknown & accepted.keys()),
            "rows failed, refused": len(refused),
            "messages attempted more than once": sum(row[4] > 1 for row in rows),
            "calls with a key accepted before": sum(self.carrier.repeated.values()),
            "names of duties sent beside beat": self.sent_twice,
            "events told": sum(events.values()),
            **{f"the carrier {act}": count for act, count in sorted(self.carrier.did.items())},
        }
        if len(rows) != self.people:
            wrong.append(f"{len(rows)} messages for {self.people} people")
        if twice := [key for key, count in by_address.items() if count > 1]:
            wrong.append(f"{len(twice)} people got the notice twice, for instance {twice[0]}")
        if self.carrier.repeated:
            wrong.append(f"{len(self.carrier.repeated)} messages were handed over again after they had been accepted")
        if other:
            wrong.append(f"not settled: {dict(other)}")
        if len(sent) + len(unknown) + len(refused) != self.people:
            wrong.append("sent + unknown + refused is not due")
        if sent - accepted.keys():
            wrong.append(f"{len(sent - accepted.keys())} rows say sent, and the carrier has not seen them")
        if accepted.keys() - sent - unknown:
            wrong.append(f"{len(accepted.keys() - sent - unknown)} were accepted, and no row says so")
        if refused - self.carrier.refused:
            wrong.append(f"{len(refused - self.carrier.refused)} rows failed that the carrier did not refuse")
        if pending:
            wrong.append(f"deliveries of events not done: {dict(pending)}")
        ends = {kind: events[f"correspondence.{kind}"] for kind in ("queued", "sent", "failed")}
        if ends != {"queued": self.people, "sent": len(sent), "failed": len(unknown) + len(refused)}:
            wrong.append(f"events do not match the rows: {ends}")


FAULTS = (
    "kill_a_worker",
    "flush_redis",
    "kill_a_child",
    "restart_database",
    "clock_an_hour_ahead",
    "kill_a_worker",
    "redis_away",
    "clock_an_hour_behind",
    "carrier_away",
    "kill_all_workers",
    "flush_redis",
    "restart_database",
    "kill_a_child",
    "kill_a_worker",
)


def table(told: Told) -> str:
    lines = ["| fault | at, s | lasted, s | next message after, s |", "|---|---:|---:|---:|"]
    lines += [f"| {what} | {at:.0f} | {lasted:.1f} | {again:.1f} |" for what, at, lasted, again in told.faults]
    lines += ["", "| figure | value |", "|---|---:|"]
    lines += [f"| {name.strip()} | {value} |" for name, value in told.counts.items()]
    return "\n".join(lines)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--people", type=int, default=20_000)
    given = parser.parse_args()
    if without := missing():
        print(f"not run: {', '.join(without)} not found")
        return 2
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(3))  # so that what was started is ended
    told = Run(given.people).go(FAULTS)
    print(f"\n{dt.datetime.now(dt.UTC):%Y-%m-%d}, {os.cpu_count()} cores, {given.people} people\n\n{table(told)}\n")
    for each in told.wrong:
        print(f"WRONG: {each}")
    print("It adds up." if not told.wrong else "It does not add up.")
    return 1 if told.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
