"""``python -m tests.soak.sizes --minutes 4 --clients 8``: what an order costs.

Told in bytes by table and in time of the processor.

The journeys of the soak with hardly a pause, on a PostgreSQL of its own; measured is what was added between a first
minute and the end. The shares of journeys are those of ``tests.soak.journeys``: for every order there are searches,
reads, papers and refusals besides. docs/capacity.md is written from it.
"""

from __future__ import annotations

import argparse
import os
import sys
import threading
import time

from .journeys import Record, Walker
from .run import _stocked, said
from .service import Service
from .watching import percentile

SIZES = """
    SELECT coalesce(parent.relname, c.relname), sum(pg_total_relation_size(c.oid))::bigint,
           sum(pg_relation_size(c.oid))::bigint
    FROM pg_class c LEFT JOIN pg_inherits i ON i.inhrelid = c.oid LEFT JOIN pg_class parent ON parent.oid = i.inhparent
    WHERE c.relkind = 'r' AND c.relnamespace = 'public'::regnamespace GROUP BY 1
"""
COUNTS = "SELECT (SELECT count(*) FROM orders_order), (SELECT count(*) FROM customers_customer)"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=4.0)
    parser.add_argument("--clients", type=int, default=8)
    parser.add_argument("--think", type=float, default=0.05)
    given = parser.parse_args()
    service = Service(workers=2, redis=False)
    try:
        shop = _stocked(service, service.start())
        record, stop = Record(), threading.Event()
        walkers = [Walker(shop, record, number, given.think) for number in range(given.clients)]
        threads = [threading.Thread(target=each.run, args=(stop,), daemon=True) for each in walkers]
        for thread in threads:
            thread.start()
        time.sleep(60)
        before, (orders, customers) = _sizes(service), service.asked(COUNTS)[0]
        began, asked = time.monotonic(), _asked(record)
        used = _cpu_seconds(service)
        time.sleep(60 * given.minutes)
        took, count, cpu = time.monotonic() - began, _asked(record) - asked, _cpu_seconds(service) - used
        stop.set()
        for thread in threads:
            thread.join(70)
        after, (more_orders, more_customers) = _sizes(service), service.asked(COUNTS)[0]
        orders, customers = more_orders - orders, more_customers - customers
        said(f"{orders} orders and {customers} customers in {took:.0f} s; load of the machine {os.getloadavg()[0]:.1f}")
        times = sorted(seconds for each in record.took.values() for _, seconds in each)
        print(f"{count} requests, {count / took:.1f} a second, {count / max(orders, 1):.0f} for an order")
        print(f"answers that were not the expected ones: {record.wrongs}")
        print(f"p50 {percentile(times, 0.5) * 1000:.0f} ms, p95 {percentile(times, 0.95) * 1000:.0f} ms")
        print(
            f"CPU of web and jobs: {cpu / max(count, 1) * 1000:.0f} ms a request, {cpu / max(orders, 1):.1f} s an order"
        )
        grown = {name: after[name][0] - before.get(name, (0, 0))[0] for name in after}
        heap = sum(after[name][1] - before.get(name, (0, 0))[1] for name in after)
        print(
            f"bytes an order: {sum(grown.values()) / max(orders, 1):,.0f}, of these rows {heap / max(orders, 1):,.0f}"
        )
        for name, size in sorted(grown.items(), key=lambda each: -each[1])[:20]:
            print(f"  {name}: {size / max(orders, 1):,.0f}")
        for kind, total in service.asked(
            "SELECT table_name, count(*) FROM audit_auditentry GROUP BY 1 ORDER BY 2 DESC LIMIT 6"
        ):
            print(f"  entries of the trail about {kind}: {total / max(more_orders, 1):.1f} an order")
        return 1 if record.wrongs else 0
    finally:
        service.close()


def _sizes(service: Service) -> dict[str, tuple[int, int]]:
    return {name: (whole, rows) for name, whole, rows in service.asked(SIZES)}


def _asked(record: Record) -> int:
    return sum(len(each) for each in record.took.values())


def _cpu_seconds(service: Service) -> float:
    """Time that all processes of the service have used, user and system (proc(5), fields 14 and 15)."""
    ticks = 0
    for pid in service.processes():
        with open(f"/proc/{pid}/stat") as stat:
            fields = stat.read().rpartition(")")[2].split()
        ticks += int(fields[11]) + int(fields[12])
    return ticks / os.sysconf("SC_CLK_TCK")


if __name__ == "__main__":
    sys.exit(main())
