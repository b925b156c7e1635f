"""The service as it is really run (``.ci/serve``, production settings), on a PostgreSQL of its own."""

from __future__ import annotations

import json
import os
import secrets
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import psycopg
import requests

from tests.faults.machines import ROOT, Machines, free_port

LOAD = """
import django, json
django.setup()
from fixtures_demo.load import load_group
from opticshop.accounts.services.clients import scopes_of_role
roles = {"counter": "counter", "quay-counter": "counter", "workshop": "workshop", "head-office": "head_office"}
pairs = load_group().services
print(json.dumps({name: [*pairs[name], scopes_of_role(role)] for name, role in roles.items()}))
"""
_STOPS_WITHIN = 40
RATES = ("USER", "ANON", "SEARCH", "EXPORTS", "SIGN_IN", "TOKEN")


class Service:
    """Everything below one temporary folder; ``close`` ends what was started, and nothing else."""

    def __init__(self, *, workers: int, redis: bool) -> None:
        self.machines = Machines()
        self.var = self.machines.home / "var"
        self.var.mkdir()
        self.port, self.workers, self.redis = free_port(), workers, redis
        self.base = f"http://127.0.0.1:{self.port}"
        self.url = f"postgresql://opticshop@127.0.0.1:{self.machines.pg_port}/opticshop"
        self.serving: subprocess.Popen[bytes] | None = None

    def environment(self) -> dict[str, str]:
        ours = ("OPTICSHOP", "DATABASE_URL", "REDIS_URL", "DJANGO", "PROMETHEUS")
        kept = {key: value for key, value in os.environ.items() if not key.startswith(ours)}
        return kept | {
            "DJANGO_SETTINGS_MODULE": "opticshop.config.settings.production",
            "DATABASE_URL": self.url,
            **({"REDIS_URL": f"redis://127.0.0.1:{self.machines.redis_port}/0"} if self.redis else {}),
            "OPTICSHOP_SECRET_KEY": secrets.token_urlsafe(64),
            "OPTICSHOP_HTTPS": "0",
            "OPTICSHOP_VAR": str(self.var),
            "OPTICSHOP_MESSAGES_DIR": str(self.var / "messages"),
            "OPTICSHOP_TOKEN_SECONDS": "36000",
            # A handful of clients stand for everybody.
            **{f"OPTICSHOP_RATE_{what}": "1000000/min" for what in RATES},
            "OPTICSHOP_INVENTED_DATA": "1",
            "PYTHONPATH": str(ROOT),
            "BIN": str(Path(sys.executable).parent),
            "PORT": str(self.port),
            "WORKERS": str(self.workers),
        }

    def start(self) -> dict[str, Any]:
        """Returns id, secret and scopes of the demo's clients, by name."""
        self.machines.start_database()
        if self.redis:
            self.machines.start_redis()
        self.own = self.environment()
        self.manage("migrate", "-v", "0")
        self.manage("collectstatic", "--no-input", "-v", "0")
        credentials: dict[str, Any] = json.loads(self._python("-c", LOAD).splitlines()[-1])
        with (self.var / "service.log").open("wb") as log:
            self.serving = subprocess.Popen(
                ["sh", ".ci/serve"], cwd=ROOT, env=self.own, stdout=log, stderr=log, start_new_session=True
            )
        ends = time.monotonic() + 300
        while time.monotonic() < ends and self.serving.poll() is None:
            try:
                if requests.get(f"{self.base}/health/ready", timeout=5).status_code == 200:
                    return credentials
            except requests.RequestException:
                pass
            time.sleep(0.3)
        raise RuntimeError(f"The service did not start:\n{self.log()[-3000:]}")

    def log(self) -> str:
        return (self.var / "service.log").read_text(errors="replace")

    def manage(self, *arguments: str) -> str:
        return self._python("manage.py", *arguments)

    def _python(self, *arguments: str) -> str:
        done = subprocess.run(
            [sys.executable, *arguments], cwd=ROOT, env=self.own, capture_output=True, text=True, check=False
        )
        if done.returncode:
            raise RuntimeError(f"{' '.join(arguments)[:60]}: {done.stdout[-1500:]}{done.stderr[-1500:]}")
        return done.stdout

    def asked(self, query: str) -> list[tuple[Any, ...]]:
        with psycopg.connect(self.url, application_name="soak", autocommit=True) as connection:
            return connection.execute(query).fetchall()

    def processes(self) -> dict[int, str]:
        """Each process of the service with a name for it, oldest first."""
        found: dict[int, str] = {}
        if self.serving is not None:
            _children(self.serving.pid, found, {})
        return found

    def stop(self) -> None:
        """As Ctrl-C does it: the processes end what they do. What does not end is killed."""
        if self.serving is None:
            return
        group = self.serving.pid
        for number, patience in ((signal.SIGTERM, _STOPS_WITHIN), (signal.SIGKILL, 5)):
            try:
                os.killpg(group, number)
                self.serving.wait(patience)
            except (ProcessLookupError, subprocess.TimeoutExpired):
                continue
        self.serving = None

    def close(self) -> None:
        self.stop()
        self.machines.close()


def _children(pid: int, found: dict[int, str], counts: dict[str, int]) -> None:
    try:
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    except OSError:
        return
    for child in map(int, children):
        try:
            words = Path(f"/proc/{child}/cmdline").read_bytes().decode(errors="replace")
        except OSError:
            continue
        kinds = {"gunicorn": "web", "jobs_run": "job runner", "celery": "celery"}
        kind = next((name for word, name in kinds.items() if word in words), None)
        if kind is not None:
            counts[kind] = counts.get(kind, 0) + 1
            found[child] = f"{kind} {counts[kind]}" if counts[kind] > 1 or kind != "job runner" else kind
        _children(child, found, counts)
