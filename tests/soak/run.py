"""``python -m tests.soak.run --minutes 15 --clients 16``: mixed load on PostgreSQL, watched for errors and leaks.

Ends with 1 when a bound does not hold, with 2 when it cannot run here.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import os
import signal
import sys
import threading
import time
from typing import Any

from tests.faults.machines import missing

from .journeys import Credentials, Record, Shop, SignedIn, Walker, opened
from .service import Service
from .watching import Track, Watch, percentile, slope

#: Growth that is told: the slope's lower bound is above so much, and so much was really added after the warm-up.
MOST_MIB_PER_HOUR, MOST_MIB = 40.0, 8.0
#: Over less time than this growth is told and not judged: the caches fill.
JUDGED_AFTER_SECONDS = 300.0
#: The last third may be so many times as slow as the first, where it is slow at all.
MOST_SLOWER, SLOW_SECONDS = 3.0, 0.5
#: The pool of one process (settings: OPTICSHOP_DB_POOL).
POOL = 8
EVERY_SECONDS = 5.0


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=15.0)
    parser.add_argument("--clients", type=int, default=16)
    parser.add_argument("--workers", type=int, default=2, help="web processes")
    parser.add_argument("--think", type=float, default=1.0, help="seconds between two requests of a client, on average")
    parser.add_argument("--redis", action="store_true", help="Celery and Redis instead of the embedded job runner")
    given = parser.parse_args()
    if without := [name for name in missing() if given.redis or not name.startswith("redis")]:
        print(f"not run: {', '.join(without)} not found")
        return 2
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: sys.exit(3))
    service = Service(workers=given.workers, redis=given.redis)
    try:
        return _soak(service, given)
    finally:
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, signal.SIG_IGN)
        service.close()


def _soak(service: Service, given: Any) -> int:
    said("a database, migrations, the service")
    shop = _stocked(service, service.start())
    said(f"{given.clients} clients for {given.minutes:g} minutes at {service.base}")
    record, watch, stop = Record(), Watch(service), threading.Event()
    walkers = [Walker(shop, record, number, given.think) for number in range(given.clients)]
    threads = [threading.Thread(target=each.run, args=(stop,), daemon=True) for each in walkers]
    for thread in threads:
        thread.start()
    lasts, told_at = given.minutes * 60, 0.0
    while (at := time.monotonic() - watch.began) < lasts:
        watch.look()
        if at - told_at >= 60:
            told_at = at
            count = sum(len(each) for each in record.took.values())
            said(f"{at / 60:.0f} min: {count} requests, {record.wrongs} wrong")
        time.sleep(min(EVERY_SECONDS, max(0.0, lasts - at)))
    stop.set()
    for thread in threads:
        thread.join(70)
    stuck = sum(thread.is_alive() for thread in threads)
    wrong = [f"{stuck} clients did not come back"] if stuck else []
    wrong += _afterwards(service, watch)
    wrong += _report(record, watch, lasts)
    for each in [*record.wrong, *wrong]:
        print(f"WRONG: {each}")
    print("All bounds hold." if not wrong and not record.wrongs else "Not all bounds hold.")
    return 1 if wrong or record.wrongs else 0


def _stocked(service: Service, credentials: dict[str, Credentials]) -> Shop:
    """The catalogue of the demo, and enough in the drawers for the whole run."""
    from fixtures_demo.story import fill_the_shop

    office, counter = (SignedIn(service.base, credentials[name]) for name in ("head-office", "counter"))
    mill = next(row for row in counter.get("/branches/")["results"] if row["code"] == "MILL")
    with contextlib.redirect_stdout(io.StringIO()):
        goods = fill_the_shop(office, counter, mill)
    lens = {"kind": "lens", "lens": goods["lenses"]["SV-1.60-65"]["id"], "unit_cost": "7.40"}
    for number in range(4):
        plenty = {"branch": mill["id"], "quantity": 5000, "lot_code": f"SOAK-{number}"}
        frame = {"kind": "frame", "frame": goods["frames"]["HERON-50-TEAL"]["id"], "unit_cost": "31.00"}
        counter.post("/stock/receipts/", plenty | frame)
        for sphere, cylinder in (("-6.00", "-1.25"), ("-6.75", "-0.50")):
            counter.post("/stock/receipts/", plenty | lens | {"sphere_dpt": sphere, "cylinder_dpt": cylinder})
    return Shop(service.base, mill, goods, opened(service.base, credentials))


def _afterwards(service: Service, watch: Watch) -> list[str]:
    """When nobody asks any more: nothing is held, all events are handed on, everything adds up."""
    wrong: list[str] = []
    before = set(watch.tracks)
    if (now := set(service.processes())) != before:
        wrong.append(f"processes ended or were started anew: {len(before - now)} gone, {len(now - before)} new")
    ends = time.monotonic() + 120
    pending = "SELECT count(*) FROM core_eventdelivery WHERE state = 'pending'"
    while service.asked(pending)[0][0] and time.monotonic() < ends:
        time.sleep(1)
    left = dict(service.asked("SELECT state, count(*) FROM core_eventdelivery WHERE state <> 'done' GROUP BY 1"))
    if left:
        wrong.append(f"deliveries of events that are not done: {left}")
    time.sleep(3)
    watch.look()
    quiet = watch.connections[-1]
    if busy := {state: count for state, count in quiet.items() if state not in {"idle", "active"}}:
        wrong.append(f"connections held when nobody asks: {busy}")
    failed = service.asked("SELECT name, failures, last_error FROM core_dutyrun WHERE failures > 0")
    wrong += [f"duty {name} failed {count} times: {str(error)[:200]}" for name, count, error in failed]
    for proof in ("ledger_verify", "stock_verify", "audit_verify"):
        try:
            service.manage(proof)
        except RuntimeError as error:
            wrong.append(str(error))
    log = service.log()
    if tracebacks := log.count("Traceback (most recent call last)"):
        place = log.index("Traceback (most recent call last)")
        wrong.append(f"{tracebacks} tracebacks in the log, the first: {log[max(0, place - 300) : place + 1500]}")
    return wrong


def _report(record: Record, watch: Watch, lasts: float) -> list[str]:
    wrong: list[str] = []
    count = sum(len(each) for each in record.took.values())
    print(
        f"\n{os.cpu_count()} cores, {count} requests, {count / lasts:.1f} a second; by status {dict(record.statuses)}\n"
    )
    print(
        "| operation | requests | p50, s | p95, s | p95 of the first third | of the last |\n"
        "|---|---:|---:|---:|---:|---:|"
    )
    for operation, seen in sorted(record.took.items()):
        first = [took for at, took in seen if at < lasts / 3]
        last = [took for at, took in seen if at >= 2 * lasts / 3]
        every = [took for _, took in seen]
        numbers = [percentile(every, 0.5), *(percentile(each, 0.95) for each in (every, first, last))]
        print(f"| {operation} | {len(seen)} | " + " | ".join(f"{number:.3f}" for number in numbers) + " |")
        middles = percentile(first, 0.5), percentile(last, 0.5)
        if min(len(first), len(last)) >= 20 and middles[1] > max(SLOW_SECONDS, MOST_SLOWER * middles[0]):
            wrong.append(f"{operation} became slower: median {middles[0]:.3f} s, then {middles[1]:.3f} s")
    print("\n| process | MiB at first | at warm-up | at the end | slope, MiB/h (95 %) | threads | open files |")
    print("|---|---:|---:|---:|---|---:|---:|")
    for track in watch.tracks.values():
        wrong += _grown(track, lasts / 3)
    states = {state: max(each[state] for each in watch.connections) for each in watch.connections for state in each}
    print(
        f"\nconnections at most: {watch.most_connections} in all; by state {states}; now {dict(watch.connections[-1])}"
    )
    # Each process has its pool, and beside it the threads of the job runner have their own connection.
    most = POOL * len(watch.tracks)
    if watch.most_connections > most:
        wrong.append(f"{watch.most_connections} connections, where {len(watch.tracks)} pools of {POOL} are {most}")
    if watch.held:
        wrong.append(f"{watch.held} times a transaction was held open and idle")
    return wrong


def _grown(track: Track, warm_up: float) -> list[str]:
    steady = track.after(warm_up)
    found = slope(steady)
    if found is None:
        print(f"| {track.name} | too few samples |")
        return []
    print(
        f"| {track.name} | {track.mib[0]:.1f} | {steady.mib[0]:.1f} | {steady.mib[-1]:.1f} | "
        f"{found.mib_per_hour:+.1f} ({found.low:+.1f} to {found.high:+.1f}) | "
        f"{steady.threads[0]} to {steady.threads[-1]} | {steady.files[0]} to {steady.files[-1]} |"
    )
    wrong = []
    added = steady.mib[-1] - steady.mib[0]
    long_enough = steady.at[-1] - steady.at[0] >= JUDGED_AFTER_SECONDS
    if long_enough and found.low > MOST_MIB_PER_HOUR and added > MOST_MIB:
        wrong.append(f"{track.name} grows by {found.mib_per_hour:.0f} MiB an hour ({added:.1f} MiB after the warm-up)")
    for what, numbers in (("threads", steady.threads), ("open files", steady.files)):
        half = len(numbers) // 2
        if min(numbers[half:]) > max(numbers[:half]) + 5:
            wrong.append(f"{track.name} has ever more {what}: {numbers[0]}, then {numbers[-1]}")
    return wrong


def said(words: str) -> None:
    print(f"[{time.strftime('%H:%M:%S')}] {words}", flush=True)


if __name__ == "__main__":
    sys.exit(main())
