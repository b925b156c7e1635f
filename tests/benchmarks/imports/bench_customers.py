"""How many customers a second an import takes over, and in how much memory.

Run from the root of the repository (a test database is made and thrown away; with DATABASE_URL on PostgreSQL):

    .venv/bin/python tests/benchmarks/imports/bench_customers.py [--rows 10000]

Every row is a customer with a birth date, a phone number, an e-mail address and a key of its own: near-duplicates are
looked for, the event is recorded, the state is written. Said for each thousand rows, because the search for
near-duplicates looks through ever more people.
"""

from __future__ import annotations

import argparse
import os
import resource
import sys
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[3]))

import django
from django.test.utils import setup_databases, teardown_databases


def file_of(rows: int) -> bytes:
    lines = ["Ref,First name,Surname,DOB,Mobile,Email"]
    for n in range(rows):
        born = f"{1930 + n % 80}-{1 + n % 12:02}-{1 + n % 28:02}"
        lines.append(f"K{n},Given{n % 500},Family{n} (invented),{born},07700 {900000 + n:06},p{n}@example.org")
    return "\r\n".join(lines).encode()


def megabytes() -> int:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--rows", type=int, default=10_000)
    rows = asked.parse_args().rows
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "opticshop.config.settings.test")
    django.setup()
    databases: Any = setup_databases(verbosity=0, interactive=False)
    try:
        measure(rows)
    finally:
        teardown_databases(databases, verbosity=0)


def measure(rows: int) -> None:
    from opticshop.branches.models import Branch
    from opticshop.core.actor import system
    from opticshop.imports import services

    branch, actor = Branch.objects.create(code="MILL", name="Millrace Opticians (invented)"), system("benchmark")
    content = file_of(rows)
    print(f"{rows} rows, {len(content)} bytes; {megabytes()} MB before")
    file = timed(
        "upload", rows, lambda: services.import_upload(actor=actor, branch=branch, kind="customers", content=content)
    )
    timed("start", rows, lambda: services.import_run(actor=actor, file=file))
    begun, worked, done = time.perf_counter(), time.process_time(), 0
    while settled := services.imports_apply(most=1000):
        done += settled
        spent = time.perf_counter() - begun
        busy = time.process_time() - worked
        print(f"  {done:6} rows   {done / spent:5.0f} rows/s so far   {done / busy:5.0f} rows/s of own time")
    file.refresh_from_db()
    print(f"{file.state}; at most {megabytes()} MB")


def timed(what: str, rows: int, call: Any) -> Any:
    begun = time.perf_counter()
    answer = call()
    spent = time.perf_counter() - begun
    print(f"{what:8} {spent:6.2f} s   {rows / spent:8.0f} rows/s   {megabytes()} MB")
    return answer


if __name__ == "__main__":
    main()
