"""``python -m tests.upgrade.rolling --seconds 60 --clients 6``: instances are restarted one by one under load.

Two instances of the service (production settings, gunicorn as ``.ci/serve`` starts it) on one PostgreSQL stand behind a
round robin that does what a proxy has to: it asks ``/health/ready`` of each, sends requests only to those that are in
turn, and is told before an instance is stopped. Clients read and write without a pause. Each instance is restarted in
two ways, again and again: its processes are made anew in place (SIGHUP), and it is taken out of turn, stopped
(SIGTERM), started and taken in again. Ends with 1 if any request failed: a connection that broke, or a status that was
not expected.
"""

from __future__ import annotations

import argparse
import itertools
import os
import signal
import subprocess
import sys
import threading
import time
import uuid
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import requests

from tests.faults.machines import ROOT, free_port, missing
from tests.soak.journeys import SignedIn, opened
from tests.soak.run import said
from tests.soak.service import Service

_STARTS_WITHIN = 180.0


class Instance:
    """One gunicorn; ``in_turn`` is what the round robin goes by."""

    def __init__(
        self, name: str, environment: dict[str, str], home: Path, *, ready: str, workers: int = 1, threads: int = 4
    ) -> None:
        self.name, self.environment, self.ready, self.workers = name, environment, ready, workers
        self.threads = threads
        self.log = home / f"{name}.log"
        self.port, self.in_turn = free_port(), False
        self.base = f"http://127.0.0.1:{self.port}"
        self.running: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        command = [f"{Path(sys.executable).parent}/gunicorn", "opticshop.config.wsgi:application"]
        command += ["--bind", f"127.0.0.1:{self.port}", "--workers", str(self.workers)]
        command += ["--threads", str(self.threads)]
        command += ["--keep-alive", "75", "--graceful-timeout", "30"]
        with self.log.open("ab") as log:
            self.running = subprocess.Popen(
                command, cwd=ROOT, env=self.environment, stdout=log, stderr=log, start_new_session=True
            )
        self.await_ready()
        self.in_turn = True

    def await_ready(self) -> None:
        ends = time.monotonic() + _STARTS_WITHIN
        while time.monotonic() < ends:
            try:
                if requests.get(f"{self.base}{self.ready}", timeout=5).status_code == 200:
                    return
            except requests.RequestException:
                pass
            time.sleep(0.1)
        raise RuntimeError(f"{self.name} did not become ready:\n{self.log.read_text()[-2000:]}")

    def workers_now(self) -> set[int]:
        assert self.running is not None
        master = self.running.pid
        return set(map(int, Path(f"/proc/{master}/task/{master}/children").read_text().split()))

    def renew(self) -> None:
        """New processes take over from the old, which end what they have begun; the address stays open."""
        assert self.running is not None
        before = self.workers_now()
        os.kill(self.running.pid, signal.SIGHUP)
        ends = time.monotonic() + _STARTS_WITHIN
        while time.monotonic() < ends and (not self.workers_now() or before & self.workers_now()):
            time.sleep(0.1)
        if before & self.workers_now():
            raise RuntimeError(f"{self.name} did not make its processes anew")
        self.await_ready()

    def stop(self) -> None:
        if self.running is not None:
            self.running.terminate()
            self.running.wait(40)
            self.running = None


@dataclass
class RoundRobin:
    """What was asked of whom, and what went wrong. A connection is used for one request: one that is kept open may be
    closed by its instance in the moment in which it is used again, and a proxy has to try such a request once more."""

    instances: list[Instance]
    statuses: Counter[tuple[str, int]] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    flying: Counter[str] = field(default_factory=Counter)
    slowest: float = 0.0

    def __post_init__(self) -> None:
        self._turn, self._lock = itertools.count(), threading.Lock()

    def ask(self, method: str, path: str, *, expect: int, **more: object) -> requests.Response | None:
        with self._lock:
            there = [each for each in self.instances if each.in_turn]
            chosen = there[next(self._turn) % len(there)]
            self.flying[chosen.name] += 1
        began = time.monotonic()
        try:
            answer = requests.request(method, f"{chosen.base}{path}", timeout=30, **more)  # type: ignore[arg-type]
        except requests.RequestException as error:
            self.wrong.append(f"{method} {path} of {chosen.name}: {error}")
            return None
        finally:
            with self._lock:
                self.flying[chosen.name] -= 1
                self.slowest = max(self.slowest, time.monotonic() - began)
        self.statuses[chosen.name, answer.status_code] += 1
        if answer.status_code != expect:
            self.wrong.append(f"{method} {path} of {chosen.name}: {answer.status_code} {answer.text[:200]}")
        return answer

    def restart(self, instance: Instance) -> None:
        """Out of turn, what flies lands, stop, start, ready, in turn."""
        with self._lock:
            instance.in_turn = False
        while self.flying[instance.name]:
            time.sleep(0.02)
        instance.stop()
        instance.start()


def rolled(robin: RoundRobin, ask: Callable[[RoundRobin], None], *, clients: int, seconds: float) -> int:
    """Restart under load for at least so long, each instance in each way; returns the restarts."""
    stop, restarts = threading.Event(), 0

    def asks() -> None:
        while not stop.is_set():
            ask(robin)

    threads = [threading.Thread(target=asks, daemon=True) for _ in range(clients)]
    for thread in threads:
        thread.start()
    began = time.monotonic()
    try:
        while not restarts or time.monotonic() - began < seconds:
            for instance in robin.instances:
                instance.renew()
                robin.restart(instance)
                restarts += 2
    finally:
        stop.set()
        for thread in threads:
            thread.join(40)
    return restarts


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--clients", type=int, default=6)
    given = parser.parse_args()
    if without := [name for name in missing() if not name.startswith("redis")]:
        print(f"not run: {', '.join(without)} not found")
        return 2
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: sys.exit(3))
    service = Service(workers=1, redis=False)
    instances: list[Instance] = []
    try:
        said("a database, migrations, two instances")
        credentials = service.start()  # with its own web process, which is not asked, and the runner of jobs
        instances += [
            Instance(name, service.own, service.machines.home, ready="/health/ready") for name in ("one", "other")
        ]
        for each in instances:
            each.start()
        mill = next(
            row["id"]
            for row in SignedIn(service.base, credentials["counter"]).get("/branches/")["results"]
            if row["code"] == "MILL"
        )
        headers = {"Authorization": opened(service.base, credentials)["counter"]}

        def journey(robin: RoundRobin) -> None:
            """Read a list, write a customer and read what was written, wherever that request goes."""
            robin.ask("GET", "/api/v1/orders/", expect=200, headers=headers)
            person = {"given_name": "Invented", "family_name": "Rowan", "birth_date": "1970-01-01", "branch": mill}
            key = {"Idempotency-Key": str(uuid.uuid4())}
            made = robin.ask("POST", "/api/v1/customers/", expect=201, headers=headers | key, json=person)
            if made is not None and made.status_code == 201:
                robin.ask("GET", f"/api/v1/customers/{made.json()['id']}/", expect=200, headers=headers)

        robin = RoundRobin(instances)
        said(f"{given.clients} clients without a pause")
        restarts = rolled(robin, journey, clients=given.clients, seconds=given.seconds)
        written = sum(count for (_, status), count in robin.statuses.items() if status == 201)
        [(kept,)] = service.asked("SELECT count(*) FROM customers_customer WHERE family_name = 'Rowan'")
        if kept < written:
            robin.wrong.append(f"{written} customers were answered with 201, {kept} are there")
        for each in robin.wrong[:20]:
            print(f"WRONG: {each}")
        asked = robin.statuses.total()
        print(f"{restarts} restarts, {asked} requests, {len(robin.wrong)} failed, slowest {robin.slowest:.1f} s")
        print(", ".join(f"{name} {status}: {count}" for (name, status), count in sorted(robin.statuses.items())))
        return 1 if robin.wrong else 0
    finally:
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, signal.SIG_IGN)
        for each in instances:
            each.stop()
        service.close()


if __name__ == "__main__":
    sys.exit(main())
