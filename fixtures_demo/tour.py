"""``make tour``: the service on port 8000 with the invented group, its catalogue and stock, for the README's curl tour.

Writes ``var/tour/env.sh`` with the address, a token and the ids that the commands in the README use.
"""

from __future__ import annotations

import os
import shlex
import signal
import sys
import threading

from .load import how_to_sign_in
from .service import ROOT, TOUR, Client, StoryIsWrong, prepare, running
from .story import fill_the_shop, set_up

PICK = """\
# The value of a field in the JSON on standard input: curl ... | pick id
pick() { "%s" -c 'import json, sys; v = json.load(sys.stdin)
for k in sys.argv[1].split("."): v = v[int(k)] if isinstance(v, list) else v[k]
print(v)' "$1"; }
"""


def main() -> int:
    prepare(TOUR)
    credentials = set_up()
    port = int(os.environ.get("PORT", "8000"))
    try:
        with running(TOUR, port) as base:
            write_environment(base, credentials.services)
            print(how_to_sign_in(credentials, base))
            print(f"\nThe service runs at {base}/ with invented data. In another terminal, in this folder:\n")
            print("    . var/tour/env.sh\n\nand paste the commands of README.md. Ctrl-C stops it.", flush=True)
            stop = threading.Event()
            for number in (signal.SIGINT, signal.SIGTERM):
                signal.signal(number, lambda *_: stop.set())
            stop.wait()
    except (StoryIsWrong, OSError) as wrong:
        print(f"The tour cannot start: {wrong}", file=sys.stderr)
        return 1
    return 0


def write_environment(base: str, services: dict[str, tuple[str, str]]) -> None:
    office, counter = Client(base, services["head-office"]), Client(base, services["counter"])
    mill = next(row for row in office.get("/branches/")["results"] if row["code"] == "MILL")
    goods = fill_the_shop(office, counter, mill)
    values = {
        "BASE": f"{base}/api/v1",
        "AUTH": str(Client(base, services["manager"]).session.headers["Authorization"]).join(["Authorization: ", ""]),
        "JSON": "Content-Type: application/json",
        "BRANCH": mill["id"],
        "FRAME": goods["frames"]["HERON-50-TEAL"]["id"],
        "LENS": goods["lenses"]["SV-1.60-65"]["id"],
    }
    lines = [f"export {name}={shlex.quote(value)}" for name, value in values.items()]
    text = "\n".join(lines) + "\n" + PICK % (ROOT / ".venv/bin/python")
    (TOUR / "env.sh").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
