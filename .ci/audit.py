"""Asks whether a known weakness is in what we depend on: ``make audit``.

Ends with 0 where nothing is known but what ``.ci/audit-allowed.toml`` allows until a day and with a reason; with 1 for
anything else that is known, and for what is allowed no longer or names nothing that is found. Where the service that
knows does not answer, or answers that it knows none of the packages, that is said and is no failure: a machine without
a network has to build too.
"""

from __future__ import annotations

import datetime as dt
import json
import subprocess
import sys
import tomllib
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
REQUIREMENTS = ("requirements/base.txt", "requirements/tracing.txt")
SECONDS = 300


@dataclass(frozen=True)
class Known:
    package: str
    version: str
    id: str
    aliases: frozenset[str]
    fixed_in: tuple[str, ...]

    def names(self) -> frozenset[str]:
        return self.aliases | {self.id}


def known_weaknesses(report: str) -> list[Known]:
    """Those in a report of pip-audit (its JSON format)."""
    return [
        Known(each["name"], each["version"], one["id"], frozenset(one.get("aliases", ())), tuple(one["fix_versions"]))
        for each in json.loads(report)["dependencies"]
        for one in each.get("vulns", ())
    ]


def unknown_packages(report: str) -> list[str]:
    """Those of which the service knew nothing: pip-audit skips them and calls the whole sound."""
    return [each["name"] for each in json.loads(report)["dependencies"] if "skip_reason" in each]


def judged(found: list[Known], allowed: list[dict[str, object]], today: dt.date) -> list[str]:
    """What must be done, in words; nothing where all is well."""
    problems = []
    for each in allowed:
        if not each.get("reason") or not isinstance(each.get("until"), dt.date):
            problems.append(f"{each.get('id')}: say until which day it is allowed, and why")
        elif each["until"] < today:  # type: ignore[operator]
            problems.append(f"{each['id']}: was allowed until {each['until']}; look at it again")
        elif not any(each["id"] in one.names() for one in found):
            problems.append(f"{each['id']}: is not found any more; take it off the list")
    excused = {str(each["id"]) for each in allowed}
    for one in found:
        if not one.names() & excused:
            better = f"; mended in {', '.join(one.fixed_in)}" if one.fixed_in else "; not mended yet"
            problems.append(f"{one.package} {one.version}: {one.id}{better}")
    return problems


def asked() -> str | None:
    """The report, or None where nobody answers."""
    files = [part for name in REQUIREMENTS for part in ("-r", str(ROOT / name))]
    command = [sys.executable, "-m", "pip_audit", *files, "--disable-pip", "--require-hashes", "-f", "json"]
    try:
        done = subprocess.run(
            [*command, "--progress-spinner", "off", "--timeout", "10"],
            capture_output=True,
            text=True,
            check=False,
            timeout=SECONDS,
        )
    except subprocess.TimeoutExpired:
        return None
    if not done.stdout.startswith("{"):
        return None
    is_silent = len(unknown_packages(done.stdout)) == len(json.loads(done.stdout)["dependencies"])
    return None if is_silent else done.stdout


def main() -> int:
    report = asked()
    if report is None:
        print("not audited: the service that knows of weaknesses does not answer")
        return 0
    allowed = tomllib.loads((ROOT / ".ci" / "audit-allowed.toml").read_text()).get("allowed", [])
    found = known_weaknesses(report)
    problems = judged(found, allowed, dt.datetime.now(dt.UTC).date())
    if unknown := unknown_packages(report):
        print(f"not audited, the service does not know them: {', '.join(unknown)}")
    print("\n".join(problems) if problems else f"audited: no weakness known ({len(allowed)} allowed)")
    return 1 if problems else 0


if __name__ == "__main__":
    raise SystemExit(main())
