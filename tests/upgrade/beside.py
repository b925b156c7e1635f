"""``python -m tests.upgrade.beside 19a3f0a --minutes 1.5 --clients 6``: an upgrade while the shop goes on working.

A PostgreSQL of its own is filled by the code of that commit, whose web processes and job runner serve clients on
journeys (``tests.soak``). A third of the time later the migrations of this version are run on that database, and the
old code goes on with the new schema. Two thirds later this version serves beside it, on the same database, and half of
the clients ask it. Ends with 1 if any answer was not the expected one, an event was not handed on, or a proof fails.
"""

from __future__ import annotations

import argparse
import io
import os
import signal
import subprocess
import sys
import tarfile
import threading
import time
from collections import Counter
from pathlib import Path
from typing import Any

import requests

from tests.faults.machines import ROOT, free_port, missing
from tests.soak import service as serving
from tests.soak.journeys import Record, Shop, Walker
from tests.soak.run import _stocked, said
from tests.soak.service import Service


def tree_of(commit: str, into: Path) -> Path:
    """The files of that commit, in a folder of their own."""
    packed = subprocess.run(["git", "archive", commit], cwd=ROOT, check=True, capture_output=True).stdout
    with tarfile.open(fileobj=io.BytesIO(packed)) as files:
        files.extractall(into, filter="data")
    return into


class OfCommit(Service):
    """The service as the code in a folder runs it, with the plugins of that folder."""

    def __init__(self, tree: Path, *, workers: int) -> None:
        super().__init__(workers=workers, redis=False)
        self.tree = tree

    def environment(self) -> dict[str, str]:
        plugins = sorted(self.tree.glob("plugins/*/src"))
        return super().environment() | {"PYTHONPATH": os.pathsep.join(map(str, [self.tree, *plugins]))}

    def start(self) -> dict[str, Any]:
        plain, serving.ROOT = serving.ROOT, self.tree
        try:
            return super().start()
        finally:
            serving.ROOT = plain

    def _python(self, *arguments: str) -> str:
        plain, serving.ROOT = serving.ROOT, self.tree
        try:
            return super()._python(*arguments)
        finally:
            serving.ROOT = plain


class Beside(OfCommit):
    """This version on the database of another."""

    def __init__(self, tree: Path, other: Service) -> None:
        self.machines, self.var, self.redis = other.machines, other.machines.home / "beside", False
        self.var.mkdir()
        self.tree, self.workers, self.port, self.url = tree, 1, free_port(), other.url
        self.base = f"http://127.0.0.1:{self.port}"
        self.serving = None
        # Both sign sessions and tokens with the same secret, as instances of one installation do.
        self.own = self.environment() | {"OPTICSHOP_SECRET_KEY": other.own["OPTICSHOP_SECRET_KEY"]}

    def serve(self) -> None:
        """Web processes alone: one runner of jobs, here the old one, is enough."""
        self.manage("collectstatic", "--no-input", "-v", "0")
        command = [
            f"{self.own['BIN']}/gunicorn",
            "opticshop.config.wsgi:application",
            "--bind",
            f"127.0.0.1:{self.port}",
        ]
        with (self.var / "service.log").open("wb") as log:
            self.serving = subprocess.Popen(
                [*command, "--workers", "1", "--threads", "4", "--keep-alive", "75"],
                cwd=self.tree,
                env=self.own,
                stdout=log,
                stderr=log,
                start_new_session=True,
            )
        ends = time.monotonic() + 120
        while time.monotonic() < ends:
            try:
                if requests.get(f"{self.base}/health/ready", timeout=5).status_code == 200:
                    return
            except requests.RequestException:
                time.sleep(0.3)
        raise RuntimeError(f"This version did not start:\n{self.log()[-3000:]}")


class Wandering(Walker):
    """A client that asks now one, now the other of the addresses that serve."""

    bases: list[str]

    def call(self, *arguments: Any, **named: Any) -> requests.Response:
        told = Shop(self.draw.choice(self.bases), self.shop.mill, self.shop.goods, self.shop.tokens)
        self.shop = told
        return super().call(*arguments, **named)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("commit", nargs="?", default="19a3f0a")
    parser.add_argument("--minutes", type=float, default=1.5)
    parser.add_argument("--clients", type=int, default=6)
    parser.add_argument("--think", type=float, default=0.5)
    given = parser.parse_args()
    if without := [name for name in missing() if not name.startswith("redis")]:
        print(f"not run: {', '.join(without)} not found")
        return 2
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: sys.exit(3))
    old = OfCommit(Path("/"), workers=1)
    old.tree = tree_of(given.commit, old.machines.home / "old")
    new = None
    try:
        said(f"the code of {given.commit}, with a database of its own")
        shop = _stocked(old, old.start())
        _is_of(old)
        new = Beside(tree_of("HEAD", old.machines.home / "new"), old)
        _is_of(new)
        return _upgraded(old, new, shop, given)
    finally:
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, signal.SIG_IGN)
        if new is not None:
            new.stop()
        old.close()


def _is_of(service: OfCommit) -> None:
    """The code and the plugins that run are those of its folder and not those that are installed here."""
    found = service._python("-c", "import opticshop, opticshop_iso21987 as p; print(opticshop.__file__, p.__file__)")
    if any(not name.startswith(str(service.tree)) for name in found.split()):
        raise RuntimeError(f"not the code of {service.tree}: {found}")


def _upgraded(old: OfCommit, new: Beside, shop: Shop, given: Any) -> int:
    record, stop, bases = Record(), threading.Event(), [old.base]
    walkers = [Wandering(shop, record, number, given.think) for number in range(given.clients)]
    for each in walkers:
        each.bases = bases
    threads = [threading.Thread(target=each.run, args=(stop,), daemon=True) for each in walkers]
    for thread in threads:
        thread.start()
    third, marks = given.minutes * 20, Counter[str]()

    def passed(what: str) -> None:
        count = sum(len(each) for each in record.took.values()) - marks.total()
        marks[what] = count
        said(f"{what}: {count} requests, {record.wrongs} wrong so far")

    time.sleep(third)
    passed("old code, old schema")
    before = time.monotonic()
    new.manage("migrate", "-v", "0")
    passed(f"while the migrations ran ({time.monotonic() - before:.1f} s)")
    time.sleep(third)
    passed("old code, new schema")
    new.serve()
    bases.append(new.base)
    time.sleep(third)
    passed("both versions side by side")
    stop.set()
    for thread in threads:
        thread.join(70)
    wrong = _proved(old, new)
    for each in [*record.wrong, *wrong]:
        print(f"WRONG: {each}")
    slowest = sorted(
        ((max(took for _, took in took_all), name) for name, took_all in record.took.items()), reverse=True
    )
    print("slowest answers:", ", ".join(f"{name} {took:.2f} s" for took, name in slowest[:3]))
    print("statuses:", dict(sorted(record.statuses.items())))
    print("Nothing failed." if not wrong and not record.wrongs else "Not all went well.")
    return 1 if wrong or record.wrongs else 0


def _proved(old: OfCommit, new: Beside) -> list[str]:
    wrong: list[str] = []
    ends = time.monotonic() + 60
    while old.asked("SELECT 1 FROM core_eventdelivery WHERE state = 'pending' LIMIT 1") and time.monotonic() < ends:
        time.sleep(0.5)
    if left := old.asked("SELECT state, count(*) FROM core_eventdelivery WHERE state <> 'done' GROUP BY 1"):
        wrong.append(f"deliveries of events that are not done: {left}")
    for proof in ("ledger_verify", "stock_verify", "audit_verify"):
        try:
            new.manage(proof)
        except RuntimeError as error:
            wrong.append(str(error))
    for name, service in (("old", old), ("new", new)):
        if "Traceback (most recent call last)" in (log := service.log()):
            place = log.index("Traceback (most recent call last)")
            wrong.append(f"a traceback of the {name} code: {log[max(0, place - 300) : place + 1500]}")
    return wrong


if __name__ == "__main__":
    sys.exit(main())
