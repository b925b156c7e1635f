"""Fault run: a recall campaign for many people while workers are killed, Redis is flushed, the database restarted, and
time is wrong.

``python -m tests.faults.run --people 20000`` prints a table and ends with 1 when anything does not add up. It starts a
PostgreSQL, a Redis, three workers and two beats of its own; a third sender sends every duty twice. The duty makes the
notices of the campaign, and they leave by the text gateway plugin.
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
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from . import OTHERS_ONE_IN
from .carrier import PATIENCE_SECONDS, Carrier
from .machines import Machines, missing, until

HELD_SECONDS = 5.0
LEAP_SECONDS = 1200.0


@dataclass
class Told:
    """What a run found: faults with their recovery times, counts, and what does not add up."""

    #: what, how much was done, at, lasted, went on after
    faults: list[tuple[str, int, float, float, float | None]] = field(default_factory=list)
    counts: dict[str, Any] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)


class Run:
    def __init__(self, people: int, *, machines: Machines | None = None, quiet: bool = False) -> None:
        self.people, self.quiet = people, quiet
        self.machines = machines or Machines()
        self.carrier = Carrier()
        self.told = Told()
        self.over = threading.Event()
        self.offset = 0.0
        self.leaps, self.looked_at, self.same_since = 0, 0.0, 0.0
        self.left: dict[str, int] = {}
        self.wakes, self.sent_twice = False, 0

    def say(self, words: str) -> None:
        if not self.quiet:
            print(f"{time.monotonic() - self.began:7.1f} s  {words}", flush=True)

    # --- the run ----------------------------------------------------------------------------------------------------
    def go(self, faults: Sequence[str], while_made: Sequence[str] = ()) -> Told:
        self.began = time.monotonic()
        try:
            self._prepare()
            self.began = time.monotonic()
            self.machines.start_celery(self.environment)
            for target in (self._supervise, self._send_twice):
                threading.Thread(target=target, daemon=True).start()
            until(self._made, 180, "no worker has made a notice")
            self.told.counts["seconds until the first notices"] = round(time.monotonic() - self.began, 1)
            self._break(while_made, self._made)
            self._break(faults, self._accepted)
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
        self._start_clock()
        self.environment = self.machines.environment()
        for name in ("DJANGO_SETTINGS_MODULE", "DATABASE_URL", "REDIS_URL", "FAULT_CLOCK"):
            os.environ[name] = self.environment[name]
        import django

        django.setup()
        from django.core.management import call_command

        call_command("migrate", verbosity=0)
        self.say("database ready")
        self._seed()

    def _seed(self) -> None:
        from .people import seed

        seed(self.people, carrier=f"127.0.0.1:{self.carrier.port}", day=self.now().date())
        self.say(f"{self.people} people are due")

    def now(self) -> dt.datetime:
        """The time of the workers."""
        return dt.datetime.now(dt.UTC) + dt.timedelta(seconds=self.offset)

    def _start_clock(self) -> None:
        """On the next Wednesday at ten, when text messages may be sent."""
        day = self.now() + dt.timedelta(days=(2 - self.now().weekday()) % 7 or 7)
        self._shift((day.replace(hour=10, minute=0, second=0, microsecond=0) - self.now()).total_seconds())

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
    def _break(self, names: Sequence[str], done: Callable[[], int]) -> None:
        """Each fault when its share of the work is done, so that it meets work as long as there is any."""
        for number, name in enumerate(names, start=1):
            share = self.people * 0.9 * number / (len(names) + 1)
            self._wait(lambda share=share: done() >= share, 900, f"work has stopped before: {name}")
            at, what = time.monotonic(), name.replace("_", " ")
            getattr(self, f"fault_{name}")()
            ended, reached = time.monotonic(), done()
            goes_on, again = (self._made if self._made() < self.people else self._accepted), None
            before = goes_on()
            if self._wait(lambda goes_on=goes_on, before=before: goes_on() > before, 300, f"nothing after: {name}"):
                again = time.monotonic() - ended
            self.told.faults.append((what, reached, at - self.began, ended - at, again))
            went_on = "no work was left" if again is None else f"went on after {again:.1f} s"
            self.say(f"{what}: at {reached}, lasted {ended - at:.1f} s, {went_on}")

    def _wait(self, true: Callable[[], Any], seconds: float, what: str) -> bool:
        """Until it is true; False where no work is left. Where all work that is left is put off, the clock leaps."""
        ends = time.monotonic() + seconds
        while not true():
            if time.monotonic() > ends:
                raise TimeoutError(what)
            if time.monotonic() - self.looked_at > 1.0 and not self._anything_left():
                return False
            time.sleep(0.05)
        return True

    def _anything_left(self) -> bool:
        """Whether there is work. Where all is put off, or lies with a process that was killed, the clock leaps."""
        self.looked_at = time.monotonic()
        left = self._asked(self._left)
        if left != self.left:
            self.left, self.same_since = left, time.monotonic()
        idle = any(left.values()) and not (left["due"] or left["not made"] or left["events"])
        if idle and (not left["sending"] or time.monotonic() - self.same_since > 5 * PATIENCE_SECONDS):
            self._shift(LEAP_SECONDS)
            self.leaps += 1
            self.say(f"leap of {LEAP_SECONDS / 60:.0f} minutes, for what is left is put off: {left}")
        return any(left.values())

    def _accepted(self) -> int:
        return len(self.carrier.accepted)

    def _made(self) -> int:
        return self._asked(lambda: _recalls().filter(notices_made__gt=0).count())

    def _left(self) -> dict[str, int]:
        from opticshop.core.models import EventDelivery

        now = self.now()
        queued = _messages().filter(state="queued")
        return {
            "not made": _recalls().filter(state="planned", next_notice_on__lte=now.date()).count(),
            "due": queued.filter(due_at__lte=now).count(),
            "put off": queued.filter(due_at__gt=now).count(),
            "sending": _messages().filter(state="sending").count(),
            "events": EventDelivery.objects.filter(state="pending", due_at__lte=now).count(),
            "events put off": EventDelivery.objects.filter(state="pending", due_at__gt=now).count(),
        }

    def _asked(self, ask: Callable[[], Any]) -> Any:
        """An answer of the database, which may just be restarting."""
        from django.db import DatabaseError, connection

        ends = time.monotonic() + 60
        while True:
            try:
                return ask()
            except DatabaseError:
                connection.close()
                if time.monotonic() > ends:
                    raise
                time.sleep(0.1)

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
        """Let time pass in leaps until everything is settled: pauses between attempts are up to hours long.

        What a killed process was sending is waited for as well: the clock leaps over its quarter of an hour.
        """
        self.carrier.behaves = True
        try:
            self._wait(lambda: False, 900, "not everything was settled in 15 minutes")
        except TimeoutError as error:
            self.told.wrong.append(f"{error}: {self.left}")

    def _count(self) -> None:
        from opticshop.core.models import EventDelivery, OutboxEvent

        rows = list(_messages().values_list("id", "state", "to", "detail", "attempts", "customer", "kind"))
        recalls = list(_recalls().values_list("state", "notices_made", "notices_lost", "outcome"))
        accepted, wrong = self.carrier.accepted, self.told.wrong
        sent = {str(row[0]) for row in rows if row[1] == "sent"}
        unknown = {str(row[0]) for row in rows if row[1] == "failed" and "not known" in row[3]}
        refused = {str(row[0]) for row in rows if row[1] == "failed"} - unknown
        other = Counter(row[1] for row in rows if row[1] not in {"sent", "failed"})
        by_address = Counter(accepted.values())
        told = [(row[5], row[6]) for row in rows]
        events = Counter(
            OutboxEvent.objects.filter(
                type__in=[f"correspondence.{kind}" for kind in ("queued", "sent", "failed")]
            ).values_list("type", flat=True)
        )
        made = OutboxEvent.objects.filter(type="reminders.notices_made").values_list("data", flat=True)
        pending = Counter(EventDelivery.objects.exclude(state="done").values_list("state", flat=True))
        others = -(-self.people // OTHERS_ONE_IN)
        self.told.counts |= {
            "people due": self.people,
            "not due yet": others,
            "due, and want no recall": others,
            "notices made": sum(row[1] for row in recalls),
            "accepted by the carrier": len(accepted),
            "rows sent": len(sent),
            "rows failed, outcome not known": len(unknown),
            "  of these accepted by the carrier": len(unknown & accepted.keys()),
            "rows failed, refused": len(refused),
            "messages attempted more than once": sum(row[4] > 1 for row in rows),
            "calls with a key accepted before": sum(self.carrier.repeated.values()),
            "names of duties sent beside beat": self.sent_twice,
            "leaps of the clock": self.leaps,
            "events told": sum(events.values()),
            **{f"the carrier {act}": count for act, count in sorted(self.carrier.did.items())},
        }
        if len(rows) != self.people or len(set(told)) != len(told):
            wrong.append(f"{len(rows)} messages, {len(set(told))} of them different, for {self.people} people")
        if {row[6] for row in rows} != {"recall_first"}:
            wrong.append("not every message is a first notice")
        stand = Counter((row[0], row[1], row[3]) for row in recalls)
        should = {
            ("planned", 1, ""): self.people,
            ("planned", 0, ""): others,
            ("closed", 0, "opted_out"): others,
        }
        if stand != should:
            wrong.append(f"the recalls do not stand as they should: {dict(stand)}")
        if (counted := sum(each["count"] for each in made)) != self.people:
            wrong.append(f"the events speak of {counted} notices made")
        if (lost := sum(row[2] for row in recalls)) != len(unknown) + len(refused):
            wrong.append(f"{lost} notices are counted as lost")
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


def _messages() -> Any:
    from opticshop.correspondence.models import Message

    return Message.objects.everywhere("a fault run")


def _recalls() -> Any:
    from opticshop.reminders.models import Recall

    return Recall.objects.everywhere("a fault run")


#: While the notices are made; then, while they are sent.
WHILE_MADE = ("kill_all_workers", "restart_database", "flush_redis")
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
    lines = ["| fault | done before | at, s | lasted, s | went on after, s |", "|---|---:|---:|---:|---:|"]
    lines += [
        f"| {what} | {done} | {at:.0f} | {lasted:.1f} | {'nothing was left' if again is None else f'{again:.1f}'} |"
        for what, done, at, lasted, again in told.faults
    ]
    lines += ["", "| figure | value |", "|---|---:|"]
    lines += [f"| {name.strip()} | {value} |" for name, value in told.counts.items()]
    return "\n".join(lines)


def _leave(*args: Any) -> None:
    """Once: a second signal must not keep us from ending what was started."""
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, signal.SIG_IGN)
    sys.exit(3)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--people", type=int, default=20_000)
    given = parser.parse_args()
    if without := missing():
        print(f"not run: {', '.join(without)} not found")
        return 2
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, _leave)
    told = Run(given.people).go(FAULTS, WHILE_MADE)
    print(f"\n{dt.datetime.now(dt.UTC):%Y-%m-%d}, {os.cpu_count()} cores, {given.people} people\n\n{table(told)}\n")
    for each in told.wrong:
        print(f"WRONG: {each}")
    print("It adds up." if not told.wrong else "It does not add up.")
    return 1 if told.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
