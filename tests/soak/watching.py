"""What is looked at every few seconds, and what it says about growth."""

from __future__ import annotations

import os
import statistics
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from scipy.stats import theilslopes

from .service import Service

#: Connections of the service that do nothing but hold a transaction open for so long are leaked.
HELD_SECONDS = 10
_ASK = """
    SELECT coalesce(state, 'none'), count(*),
           count(*) FILTER (WHERE state LIKE 'idle in transaction%%'
                            AND state_change < clock_timestamp() - interval '%s seconds')
    FROM pg_stat_activity WHERE datname = 'opticshop' AND application_name <> 'soak' AND backend_type = 'client backend'
    GROUP BY 1
"""


@dataclass(slots=True)
class Track:
    """One process over time: seconds since the start, resident MiB, threads, open files."""

    name: str
    at: list[float] = field(default_factory=list)
    mib: list[float] = field(default_factory=list)
    threads: list[int] = field(default_factory=list)
    files: list[int] = field(default_factory=list)

    def after(self, seconds: float) -> Track:
        first = next((place for place, at in enumerate(self.at) if at >= seconds), len(self.at))
        return Track(self.name, self.at[first:], self.mib[first:], self.threads[first:], self.files[first:])


@dataclass(frozen=True, slots=True)
class Slope:
    """MiB an hour, by Theil and Sen, with the bounds of its 95 % interval. Neighbouring samples are alike, so the true
    interval is wider."""

    mib_per_hour: float
    low: float
    high: float


def slope(track: Track) -> Slope | None:
    if len(track.at) < 5:
        return None
    found = theilslopes(track.mib, [at / 3600 for at in track.at], 0.95)
    return Slope(float(found.slope), float(found.low_slope), float(found.high_slope))


class Watch:
    def __init__(self, service: Service) -> None:
        self.service, self.began = service, time.monotonic()
        self.tracks: dict[int, Track] = {}
        self.connections: list[Counter[str]] = []
        self.most_connections = 0
        self.held = 0

    def look(self) -> None:
        at = time.monotonic() - self.began
        for pid, name in self.service.processes().items():
            try:
                status = dict(line.split(":", 1) for line in Path(f"/proc/{pid}/status").read_text().splitlines())
                files = len(os.listdir(f"/proc/{pid}/fd"))
            except (OSError, ValueError):
                continue
            if "VmRSS" not in status:
                continue
            track = self.tracks.setdefault(pid, Track(name))
            track.at.append(at)
            track.mib.append(int(status["VmRSS"].split()[0]) / 1024)
            track.threads.append(int(status["Threads"]))
            track.files.append(files)
        rows = self.service.asked(_ASK % HELD_SECONDS)
        self.connections.append(Counter({state: count for state, count, _ in rows}))
        self.most_connections = max(self.most_connections, sum(count for _, count, _ in rows))
        self.held += sum(held for _, _, held in rows)


def percentile(values: list[float], share: float) -> float:
    if len(values) < 2:
        return values[0] if values else 0.0
    return statistics.quantiles(values, n=100, method="inclusive")[round(share * 100) - 1]
