"""``python -m tests.benchmarks.api.profiled --database-url URL --only board``: where the time of ours goes, as text.

Needs the program ``py-spy`` on the PATH (install it apart from the project) and the right to look into one's own
processes. It looks at the web process some hundred times a second while it answers; a share is of all samples in which
it was busy. ``--stacks DIR`` keeps the stacks, one a line with its count, as programs that draw flames read them.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

from .client import load
from .endpoints import BY_NAME, ENDPOINTS, drawn
from .run import messages_of, new_seed, said, tokens_of
from .servers import field_of

RATE = 250
#: From here on a stack is that of an answer; what stands above, or without it, is the web server's own.
ENTRY = "WSGIHandler.__call__"


def shares(stacks: str) -> tuple[Counter[str], Counter[str], int]:
    """Of collapsed stacks of answers: samples in which a function ran itself, in which it stood anywhere, and all."""
    own: Counter[str] = Counter()
    within: Counter[str] = Counter()
    total = 0
    for line in stacks.splitlines():
        frames, _, count = line.rpartition(" ")
        names = frames.split(";")
        entry = next((place for place, name in enumerate(names) if name.startswith(ENTRY)), None)
        if entry is None or not count.isdigit():
            continue
        total += int(count)
        own[names[-1]] += int(count)
        for name in set(names[entry:]):
            within[name] += int(count)
    return own, within, total


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--database-url", default=os.environ.get("DATABASE_URL"))
    parser.add_argument("--server", default="ours")
    parser.add_argument("--only", action="append", choices=list(BY_NAME))
    parser.add_argument("--seconds", type=float, default=8.0)
    parser.add_argument("--most", type=int, default=40, help="functions told of each endpoint")
    parser.add_argument("--core", default="0")
    parser.add_argument("--stacks", type=Path)
    given = parser.parse_args()
    spy = shutil.which("py-spy")
    if spy is None:
        print("not run: py-spy not found")
        return 2
    if not given.database_url:
        parser.error("--database-url: a PostgreSQL database with generated data")
    chosen = [BY_NAME[name] for name in given.only] if given.only else list(ENDPOINTS)
    with field_of(given.database_url, cores=given.core or None) as run, tempfile.TemporaryDirectory() as folder:
        kept = given.stacks or Path(folder)
        kept.mkdir(parents=True, exist_ok=True)
        shops, ours = drawn(given.database_url), run.start("ours")
        server = ours if given.server == "ours" else run.start(given.server)
        tokens = tokens_of(run, ours, shops)
        worker = server.processes()[-1]
        for endpoint in chosen:
            messages = messages_of(endpoint, server, shops, tokens, new_seed() if endpoint.body else 1)
            expect = 200 if endpoint.body is None else 201
            load(server.port, messages, seconds=1, connections=4, expect=expect)
            out = kept / f"{endpoint.name}.txt"
            command = [spy, "record", "--pid", str(worker), "--rate", str(RATE), "--gil", "--nolineno"]
            command += ["--duration", str(round(given.seconds)), "--format", "raw", "--output", str(out)]
            looking = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
            load(server.port, messages, seconds=given.seconds + 1, connections=4, expect=expect)
            _, errors = looking.communicate(timeout=60)
            if looking.returncode:
                said(errors.decode(errors="replace")[-500:])
                return 1
            own, within, total = shares(out.read_text())
            print(f"\n## {endpoint.name}: {total} samples\n")
            print("| itself, % | with what it calls, % | function |\n|---:|---:|---|")
            for name, count in within.most_common(given.most):
                print(f"| {100 * own[name] / total:.1f} | {100 * count / total:.1f} | {name} |")
    return 0


if __name__ == "__main__":
    sys.exit(main())
