"""``python -m tests.upgrade.crowd --processes 3 --threads 8 --pool 3 --clients 40``: more requests than connections.

A gunicorn of several processes, each with more threads than its pool has connections, is asked by more clients than it
has threads, who read and write without a pause. Meanwhile PostgreSQL is asked ten times a second how many connections
these processes hold. Ends with 1 if they were ever more than ``processes x min(threads, pool)``, if an answer was
neither as expected nor one of the documented 503 with Retry-After, or if something that was answered with 201 is not
there, or twice.
"""

from __future__ import annotations

import argparse
import signal
import sys
import threading
import time
import uuid
from collections import Counter

import psycopg
import requests

from tests.faults.machines import missing
from tests.soak.journeys import SignedIn, opened
from tests.soak.run import said
from tests.soak.service import Service
from tests.upgrade.rolling import Instance

#: docs/running.md: what may be answered where a row, or a connection, is not to be had.
MAY_PASS = {"core.busy", "core.database_away", "core.took_too_long"}
NAME = "crowd"


class Crowd:
    def __init__(self, base: str, headers: dict[str, str], branch: str) -> None:
        self.base, self.headers, self.branch = base, headers, branch
        self.lock, self.wrong = threading.Lock(), list[str]()
        self.answers: Counter[str] = Counter()
        self.took: list[float] = []
        self.made: list[str] = []
        self.flying = self.most_flying = 0

    def ask(self, method: str, path: str, expect: int, **more: object) -> requests.Response | None:
        with self.lock:
            self.flying += 1
            self.most_flying = max(self.most_flying, self.flying)
        began = time.monotonic()
        try:
            answer = requests.request(method, f"{self.base}/api/v1{path}", timeout=60, **more)  # type: ignore[arg-type]
        except requests.RequestException as error:
            with self.lock:
                self.wrong.append(f"{method} {path}: {error}")
            return None
        finally:
            with self.lock:
                self.flying -= 1
                self.took.append(time.monotonic() - began)
        word = str(answer.status_code)
        if answer.status_code == 503:
            word += f" {answer.json().get('code')}"
        with self.lock:
            self.answers[word] += 1
            is_told = word[4:] in MAY_PASS and answer.headers.get("Retry-After", "").isdigit()
            if answer.status_code != expect and not is_told:
                self.wrong.append(f"{method} {path}: {answer.status_code} {answer.text[:200]}")
        return answer if answer.status_code == expect else None

    def journey(self) -> None:
        self.ask("GET", "/orders/", 200, headers=self.headers)
        name = f"Invented{uuid.uuid4().hex[:12]}"
        person = {"given_name": name, "family_name": "Crowd", "birth_date": "1970-01-01", "branch": self.branch}
        headers = self.headers | {"Idempotency-Key": str(uuid.uuid4())}
        for _ in range(3):  # as a till does it: what may pass is sent again under the same key
            made = self.ask("POST", "/customers/", 201, headers=headers, json=person)
            if made is not None:
                with self.lock:
                    self.made.append(name)
                self.ask("GET", f"/customers/{made.json()['id']}/", 200, headers=self.headers)
                return


def sampled(url: str, stop: threading.Event, seen: Counter[int]) -> None:
    with psycopg.connect(url, application_name="sampler", autocommit=True) as asked:
        while not stop.wait(0.1):
            row = asked.execute("SELECT count(*) FROM pg_stat_activity WHERE application_name = %s", [NAME]).fetchone()
            seen[row[0] if row else 0] += 1


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    for name, number in (("processes", 3), ("threads", 8), ("pool", 3), ("clients", 40), ("seconds", 30)):
        parser.add_argument(f"--{name}", type=int, default=number)
    given = parser.parse_args()
    if without := [name for name in missing() if not name.startswith("redis")]:
        print(f"not run: {', '.join(without)} not found")
        return 2
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: sys.exit(3))
    service, instance = Service(workers=1, redis=False), None
    try:
        said("a database, migrations, a service whose runner of jobs works beside")
        credentials = service.start()
        environment = service.own | {"OPTICSHOP_DB_POOL": str(given.pool), "OPTICSHOP_PROCESS": NAME}
        instance = Instance(
            NAME,
            environment,
            service.machines.home,
            ready="/health/ready",
            workers=given.processes,
            threads=given.threads,
        )
        instance.start()
        rows = SignedIn(service.base, credentials["counter"]).get("/branches/")["results"]
        branch = next(row["id"] for row in rows if row["code"] == "MILL")
        crowd = Crowd(instance.base, {"Authorization": opened(service.base, credentials)["counter"]}, branch)
        stop, seen = threading.Event(), Counter[int]()

        def asks() -> None:
            while not stop.is_set():
                crowd.journey()

        threads = [threading.Thread(target=asks, daemon=True) for _ in range(given.clients)]
        threads.append(threading.Thread(target=sampled, args=(service.url, stop, seen), daemon=True))
        said(f"{given.clients} clients without a pause, {given.processes} processes with {given.threads} threads")
        for each in threads:
            each.start()
        time.sleep(given.seconds)
        stop.set()
        for each in threads:
            each.join(90)
        return _judged(crowd, seen, service, given)
    finally:
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, signal.SIG_IGN)
        if instance is not None:
            instance.stop()
        service.close()


def _judged(crowd: Crowd, seen: Counter[int], service: Service, given: argparse.Namespace) -> int:
    most = given.processes * min(given.threads, given.pool)
    wrong = list(crowd.wrong)
    if not seen or max(seen) > most:
        wrong.append(f"{max(seen, default=0)} connections, {most} are documented")
    if crowd.most_flying <= most:
        wrong.append(
            f"never more than {crowd.most_flying} requests at once: the run says nothing of {most} connections"
        )
    kept = Counter(
        name for (name,) in service.asked("SELECT given_name FROM customers_customer WHERE family_name = 'Crowd'")
    )
    wrong += [f"{name} was answered with 201 and is there {kept[name]} times" for name in crowd.made if kept[name] != 1]
    wrong += [f"{name} is there {count} times" for name, count in kept.items() if count > 1]
    for each in wrong[:20]:
        print(f"WRONG: {each}")
    took = sorted(crowd.took)
    print(f"{len(took)} requests, at most {crowd.most_flying} at once: {dict(sorted(crowd.answers.items()))}")
    print(f"p50 {took[len(took) // 2]:.2f} s, p95 {took[int(len(took) * 0.95)]:.2f} s, slowest {took[-1]:.2f} s")
    print(f"connections: at most {max(seen, default=0)} of {most} in {seen.total()} looks; {len(wrong)} wrong")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
