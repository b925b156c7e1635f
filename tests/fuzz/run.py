"""``python -m tests.fuzz.run --minutes 20 --seed 7``: requests made by chance for as long as is asked, with a table.

Goes round all operations as each role in turn: by rule, well-formed, malformed, and in chains. What is found is printed
with the request that showed it; the same seed makes the same requests. Ends with 1 where anything was found.
"""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

import pytest

LONG = Path(__file__).with_name("long.py")


def main() -> int:
    asked = argparse.ArgumentParser(prog="tests.fuzz.run", description=__doc__)
    asked.add_argument("--minutes", type=float, default=5)
    asked.add_argument("--seed", type=int, default=0)
    asked.add_argument("--role", default="", help="one role; without it each in turn")
    asked.add_argument("--operation", default="", help="a part of the ids of the operations that are asked")
    asked.add_argument("--only", default="", choices=["", "rule", "chance", "chains"], help="one way of making them")
    asked.add_argument("--each", type=int, default=8, help="well-formed and malformed requests of each turn")
    for name, value in vars(asked.parse_args()).items():
        os.environ[f"OPTICSHOP_FUZZ_{name.upper()}"] = str(value)
    return int(pytest.main([str(LONG), "-n0", "-q", "-s", "-p", "no:randomly", "--no-header"]))


if __name__ == "__main__":
    sys.exit(main())
