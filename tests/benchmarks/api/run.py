"""``python -m tests.benchmarks.api.run --database-url URL``: the endpoints on every server, side by side, in rounds.

The servers stand all at once and are asked one after the other, round by round, so that what drifts on the machine
drifts for all. Server processes are held to one core and the client to the other; PostgreSQL runs where it finds room.
No timing is judged here: it prints.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import sys
import time
import urllib.parse
import urllib.request
import uuid
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import psycopg

from tests.faults.machines import ROOT

from . import same
from .client import Seen, load, message
from .endpoints import BY_NAME, ENDPOINTS, Endpoint, Shop, drawn
from .servers import ELSEWHERE, KINDS, Field, Server, cpu_seconds, field_of

ROUNDS = 3
WARM_UP_SECONDS = 1.0


@dataclass(slots=True)
class Result:
    """Of one endpoint at one server, over all rounds."""

    took: list[float] = field(default_factory=list)
    lasted: float = 0.0
    cpu: float = 0.0
    database_cpu: float = 0.0
    sent_bytes: int = 0

    def add(self, seen: Seen, cpu: float, database_cpu: float) -> None:
        self.took += seen.took
        self.lasted += seen.lasted
        self.cpu += cpu
        self.database_cpu += database_cpu
        self.sent_bytes += seen.sent_bytes

    def figures(self) -> dict[str, float]:
        """Milliseconds, requests a second, kilobytes of an answer with its head."""
        count = len(self.took)
        return {
            "p50_ms": percentile(self.took, 0.5) * 1000,
            "p95_ms": percentile(self.took, 0.95) * 1000,
            "per_second": count / self.lasted,
            "cpu_ms": self.cpu / count * 1000,
            "database_cpu_ms": self.database_cpu / count * 1000,
            "kb": self.sent_bytes / count / 1000,
            "requests": count,
        }


def percentile(values: Sequence[float], share: float) -> float:
    """Nearest rank."""
    ordered = sorted(values)
    return ordered[max(0, -(-int(share * 1000) * len(ordered) // 1000) - 1)]


def tokens_of(run: Field, ours: Server, shops: Sequence[Shop]) -> list[str]:
    """Authorization of a till in each shop: a token of the service itself, got as an integrator gets it."""
    known = json.loads(run.credentials([shop.branch for shop in shops]))
    found = []
    for shop in shops:
        client_id, secret, scope = known[shop.branch]
        form = {"grant_type": "client_credentials", "client_id": client_id, "client_secret": secret, "scope": scope}
        with urllib.request.urlopen(f"{ours.base}/oauth/token/", urllib.parse.urlencode(form).encode()) as answer:
            found.append(f"Bearer {json.load(answer)['access_token']}")
    return found


def messages_of(
    endpoint: Endpoint, server: Server, shops: Sequence[Shop], tokens: Sequence[str], seed: int, page_size: int = 0
) -> list[bytes]:
    asked = endpoint.requests(shops, seed, page_size)
    return [
        message(server.base, each.path, tokens[each.shop], each.body, str(uuid.uuid4()) if each.body else "")
        for each in asked
    ]


def database_cpu(url: str) -> float:
    """Seconds of the processors that the sessions of this database have used so far."""
    with psycopg.connect(url, autocommit=True) as connection:
        rows = connection.execute(
            "SELECT pid FROM pg_stat_activity WHERE datname = current_database() AND backend_type = 'client backend'"
        ).fetchall()
    return sum(cpu_seconds(row[0]) for row in rows)


def measured(
    endpoint: Endpoint, server: Server, messages: Sequence[bytes], url: str, seconds: float, connections: int
) -> tuple[Seen, float, float]:
    expect = 200 if endpoint.body is None else 201
    before = server.cpu_seconds(), database_cpu(url)
    seen = load(server.port, messages, seconds=seconds, connections=connections, expect=expect)
    return seen, server.cpu_seconds() - before[0], database_cpu(url) - before[1]


def fetched(server: Server, path: str, token: str, body: bytes | None = None) -> bytes:
    headers = {"Authorization": token, "Accept": "application/json"}
    if body is not None:
        headers |= {"Content-Type": "application/json", "Idempotency-Key": str(uuid.uuid4())}
    asked = urllib.request.Request(f"{server.base}/api/v1{path}", body, headers)
    with urllib.request.urlopen(asked) as answer:
        return answer.read()


def same_bytes(run: Field, endpoint: Endpoint, shops: Sequence[Shop], tokens: Sequence[str], seed: int) -> None:
    """Raises NotTheSame. A write is sent to each with a person of its own, or the second would find the first."""
    bodies = [same.sample(endpoint, shops, new_seed() if endpoint.body else seed) for _ in range(2)]
    if endpoint.body:
        bodies = [[each for each in one if each.shop == 0][:3] for one in bodies]
    for first, second in zip(*bodies, strict=False):
        one = fetched(run.servers["ours"], first.path, tokens[first.shop], first.body)
        other = fetched(run.servers["raw"], second.path, tokens[second.shop], second.body)
        same.compare(endpoint, first.path, one, other)


def new_seed() -> int:
    """For bodies of writes, which are new people in every run."""
    return random.SystemRandom().getrandbits(40)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--database-url", default=os.environ.get("DATABASE_URL"))
    parser.add_argument("--seconds", type=float, default=3.0, help="of each endpoint at each server in each round")
    parser.add_argument("--rounds", type=int, default=ROUNDS)
    parser.add_argument("--connections", type=int, default=4)
    parser.add_argument("--servers", default="ours,raw,plain,fast", help=", ".join([*KINDS, *ELSEWHERE]))
    parser.add_argument("--only", action="append", choices=list(BY_NAME), help="an endpoint; may be said again")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--core", default="0", help="the core(s) of the servers; empty: wherever there is room")
    parser.add_argument("--client-core", default="1")
    parser.add_argument("--workers", type=int, default=1, help="processes of each server")
    parser.add_argument("--source", type=Path, default=ROOT, help="take ours from there: a worktree of another commit")
    parser.add_argument("--unequal", action="store_true", help="do not compare the bytes of ours and raw first")
    parser.add_argument("--json", type=Path, help="write the figures there too")
    given = parser.parse_args()
    if not given.database_url or not given.database_url.startswith("postgres"):
        parser.error("--database-url: a PostgreSQL database with generated data")
    if given.client_core and (os.cpu_count() or 1) > 1:
        os.sched_setaffinity(0, {int(each) for each in given.client_core.split(",")})
    chosen = [BY_NAME[name] for name in given.only] if given.only else list(ENDPOINTS)
    with field_of(
        given.database_url, cores=given.core or None, workers=given.workers, source=given.source.resolve()
    ) as run:
        results = compared(run, given.servers.split(","), chosen, given)
    print(table(results))
    print("\n" + against(results))
    if given.json:
        figures = {name: {server: each.figures() for server, each in row.items()} for name, row in results.items()}
        given.json.write_text(json.dumps(figures, indent=1) + "\n")
    return 0


def compared(run: Field, names: Sequence[str], chosen: Sequence[Endpoint], given: Any) -> dict[str, dict[str, Result]]:
    shops = drawn(given.database_url, given.seed)
    said(f"{sum(len(shop.orders) for shop in shops)} orders drawn of {len(shops)} shops; servers start")
    servers = [run.start(name) for name in dict.fromkeys(["ours", *names])]
    tokens = tokens_of(run, servers[0], shops)
    results: dict[str, dict[str, Result]] = {}
    if "raw" in run.servers and not given.unequal:
        for endpoint in chosen:
            same_bytes(run, endpoint, shops, tokens, given.seed)
        said("raw answers the same bytes as ours")
    for endpoint in chosen:
        row = results[endpoint.name] = {server.name: Result() for server in servers}
        for turn in range(-1, given.rounds):
            for server in servers:
                seed = new_seed() if endpoint.body else given.seed + 1000 * turn
                sent = messages_of(endpoint, server, shops, tokens, seed)
                lasts = given.seconds if turn >= 0 else min(WARM_UP_SECONDS, given.seconds)
                found = measured(endpoint, server, sent, given.database_url, lasts, given.connections)
                if turn >= 0:
                    row[server.name].add(*found)
        said(
            endpoint.name
            + ": "
            + ", ".join(f"{name} p50 {each.figures()['p50_ms']:.2f} ms" for name, each in row.items())
        )
    return results


def table(results: dict[str, dict[str, Result]]) -> str:
    """Markdown: a line for each endpoint and server. The ratio is ours to that one: 2.0 says that ours takes twice."""
    head = (
        "| endpoint | server | p50, ms | p95, ms | requests/s | CPU ms/request | of PostgreSQL | kB | ours/it p50 |"
        " p95 | requests/s |\n|---|---|---:|---:|---:|---:|---:|---:|---:|---:|---:|"
    )
    lines = [head]
    for name, row in results.items():
        ours = row["ours"].figures()
        for server, result in row.items():
            it = result.figures()
            ratios = ["", "", ""]
            if server != "ours":
                ratios = [f"{ours[key] / it[key]:.2f}" for key in ("p50_ms", "p95_ms", "per_second")]
            lines.append(
                f"| {name} | {server} | {it['p50_ms']:.2f} | {it['p95_ms']:.2f} | {it['per_second']:.0f} |"
                f" {it['cpu_ms']:.2f} | {it['database_cpu_ms']:.2f} | {it['kb']:.1f} | " + " | ".join(ratios) + " |"
            )
    return "\n".join(lines)


#: Server -> what is asked of it, and whether ours or it stands above the line of the ratio.
TARGETS = {"raw": ("ours to (a)", True), "plain": ("(b) to ours", False), "fast": ("(c) to ours", False)}


def against(results: dict[str, dict[str, Result]]) -> str:
    """Markdown: one line for each endpoint; p50, p95 and CPU (server and PostgreSQL together) as ratios."""
    others = [name for name in TARGETS if any(name in row for row in results.values())]
    head = "| endpoint |" + "".join(f" {TARGETS[name][0]}: p50 | p95 | CPU | CPU with PostgreSQL |" for name in others)
    lines = [head, "|---|" + "---:|" * (4 * len(others))]
    for name, row in results.items():
        ours, cells = _costs(row["ours"]), []
        for other in others:
            it, is_ours_above = _costs(row[other]), TARGETS[other][1]
            pairs = zip(ours, it, strict=True) if is_ours_above else zip(it, ours, strict=True)
            cells += [f"{above / below:.2f}" if below else "" for above, below in pairs]
        lines.append(f"| {name} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def _costs(result: Result) -> tuple[float, ...]:
    it = result.figures()
    return it["p50_ms"], it["p95_ms"], it["cpu_ms"], it["cpu_ms"] + it["database_cpu_ms"]


def said(words: str) -> None:
    print(f"[{time.strftime('%H:%M:%S')}] {words}", file=sys.stderr, flush=True)


if __name__ == "__main__":
    sys.exit(main())
