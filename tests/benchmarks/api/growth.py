"""``python -m tests.benchmarks.api.growth --databases URL URL URL``: ours over ever more data, and how much slower.

One server for each database, all at once and asked in turn, so that what drifts drifts for all. More orders in as many
branches are also longer lists: what is compared must be equally long. Lists are therefore asked for by pages of ten,
and customers by their whole family name; how large an answer was stands beside its times.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import psycopg

from .endpoints import BY_NAME, ENDPOINTS, Endpoint, drawn
from .run import Result, measured, messages_of, new_seed, said, tokens_of
from .servers import field_of


def orders_in(url: str) -> int:
    """As PostgreSQL estimates it."""
    with psycopg.connect(url, autocommit=True) as connection:
        row = connection.execute(
            "SELECT reltuples::bigint FROM pg_class WHERE oid = 'orders_order'::regclass"
        ).fetchone()
    return int(row[0]) if row else 0


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--databases", nargs="+", required=True, metavar="URL", help="smallest first")
    parser.add_argument("--seconds", type=float, default=3.0)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--connections", type=int, default=4)
    parser.add_argument("--only", action="append", choices=list(BY_NAME))
    parser.add_argument("--page-size", type=int, default=10, help="rows of a page; 0: as the service has it")
    parser.add_argument("--letters", type=int, default=60, help="of a family name by which customers are looked for")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--core", default="0")
    parser.add_argument("--client-core", default="1")
    parser.add_argument("--json", type=Path)
    given = parser.parse_args()
    if given.client_core and (os.cpu_count() or 1) > 1:
        os.sched_setaffinity(0, {int(each) for each in given.client_core.split(",")})
    chosen = [BY_NAME[name] for name in given.only] if given.only else list(ENDPOINTS)
    sizes = [orders_in(url) for url in given.databases]
    results = grown(given, chosen)
    print(table(results, sizes))
    if given.json:
        figures = {name: [each.figures() for each in row] for name, row in results.items()}
        given.json.write_text(json.dumps({"orders": sizes, "figures": figures}, indent=1) + "\n")
    return 0


def grown(given: Any, chosen: Sequence[Endpoint]) -> dict[str, list[Result]]:
    results: dict[str, list[Result]] = {}
    with contextlib.ExitStack() as stack:
        places = []
        for url in given.databases:
            run = stack.enter_context(field_of(url, cores=given.core or None))
            shops, server = drawn(url, given.seed, given.letters), run.start("ours")
            places.append((url, shops, server, tokens_of(run, server, shops)))
        said(f"{len(places)} servers stand")
        for endpoint in chosen:
            row = results[endpoint.name] = [Result() for _ in places]
            for turn in range(-1, given.rounds):
                for result, (url, shops, server, tokens) in zip(row, places, strict=True):
                    seed = new_seed() if endpoint.body else given.seed + 1000 * turn
                    messages = messages_of(endpoint, server, shops, tokens, seed, given.page_size)
                    lasts = given.seconds if turn >= 0 else min(1.0, given.seconds)
                    found = measured(endpoint, server, messages, url, lasts, given.connections)
                    if turn >= 0:
                        result.add(*found)
            said(endpoint.name + ": p95 " + ", ".join(f"{each.figures()['p95_ms']:.2f} ms" for each in row))
    return results


def table(results: dict[str, list[Result]], sizes: Sequence[int]) -> str:
    """Markdown: p50 and p95 at each size, in ms, with kB of an answer, and the ratio to the smallest."""
    head = "| endpoint |" + "".join(f" {size:,} orders: p50 | p95 | kB | PostgreSQL ms |" for size in sizes)
    head += "".join(f" p95 to the first, {size:,} |" for size in sizes[1:])
    lines = [head, "|---|" + "---:|" * (4 * len(sizes) + len(sizes) - 1)]
    for name, row in results.items():
        figures = [each.figures() for each in row]
        cells = [
            f"{it['p50_ms']:.2f} | {it['p95_ms']:.2f} | {it['kb']:.1f} | {it['database_cpu_ms']:.2f}" for it in figures
        ]
        ratios = [f"{it['p95_ms'] / figures[0]['p95_ms']:.2f}" for it in figures[1:]]
        lines.append(f"| {name} | " + " | ".join([*cells, *ratios]) + " |")
    return "\n".join(lines)


if __name__ == "__main__":
    sys.exit(main())
