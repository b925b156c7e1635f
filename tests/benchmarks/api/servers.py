"""The servers that are compared, each a process group of its own at a port of its own, held to the same core."""

from __future__ import annotations

import contextlib
import os
import secrets
import signal
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.faults.machines import ROOT, free_port

THREADS = 4
TICK = os.sysconf("SC_CLK_TCK")
BIN = Path(sys.executable).parent
HERE = "tests.benchmarks.api"
RATES = ("USER", "ANON", "SEARCH", "EXPORTS", "SIGN_IN", "TOKEN")
#: name -> what stands behind it, as the table says it.
KINDS = {
    "ours": "the service as `make serve` runs it",
    "raw": "(a) psycopg + orjson in a WSGI function",
    "plain": "(b) plain Django REST framework",
    "fast": "(c) FastAPI + SQLAlchemy async",
}
#: The service behind other web servers, each with one process; the programs are installed apart from the project.
ELSEWHERE = {
    "ours-1-thread": "gunicorn, gthread, one thread",
    "ours-waitress": "waitress, four threads",
    "ours-granian": "granian, four blocking threads",
}
_REGISTER = """
import django, json, sys
django.setup()
import secrets
from opticshop.accounts import services
from opticshop.accounts.services.clients import scopes_of_role
from opticshop.branches.models import Branch
from opticshop.core.actor import system
made = []
for branch in Branch.objects.in_bulk(sys.argv[1:]).values():
    name = "benchmark " + branch.code + " " + secrets.token_hex(4)
    made.append((str(branch.id), services.service_client_register(
        actor=system("benchmark"), name=name, role="counter", branch=branch)))
scopes = " ".join(scopes_of_role("counter"))
print(json.dumps({branch: [one.client_id, one.client_secret, scopes] for branch, one in made}))
"""


@dataclass(slots=True)
class Server:
    name: str
    port: int
    process: subprocess.Popen[bytes]
    log: Path

    @property
    def base(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def processes(self) -> list[int]:
        found, todo = [], [self.process.pid]
        while todo:
            pid = todo.pop()
            with contextlib.suppress(OSError):
                todo += map(int, Path(f"/proc/{pid}/task/{pid}/children").read_text().split())
                found.append(pid)
        return found

    def cpu_seconds(self) -> float:
        """Of all its processes, since they began."""
        return sum(map(cpu_seconds, self.processes()))


def cpu_seconds(pid: int) -> float:
    try:
        words = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    except OSError:
        return 0.0
    return (int(words[11]) + int(words[12])) / TICK


def environment(url: str, var: Path, secret: str) -> dict[str, str]:
    """That of ``make serve``, with room in the rate limits: a handful of clients stand for everybody."""
    ours = ("OPTICSHOP", "DATABASE_URL", "REDIS_URL", "DJANGO", "PROMETHEUS")
    kept = {key: value for key, value in os.environ.items() if not key.startswith(ours)}
    return kept | {
        "DJANGO_SETTINGS_MODULE": "opticshop.config.settings.production",
        "DATABASE_URL": url,
        "OPTICSHOP_SECRET_KEY": secret,
        "OPTICSHOP_HTTPS": "0",
        "OPTICSHOP_VAR": str(var),
        "OPTICSHOP_MESSAGES_DIR": str(var / "messages"),
        "OPTICSHOP_TOKEN_SECONDS": "36000",
        **{f"OPTICSHOP_RATE_{what}": "100000000/min" for what in RATES},
        "PYTHONPATH": str(ROOT),
        "PROMETHEUS_MULTIPROC_DIR": str(var / "metrics"),
    }


def _command(name: str, port: int, workers: int) -> list[str]:
    gunicorn = [str(BIN / "gunicorn"), "--bind", f"127.0.0.1:{port}", "--workers", str(workers)]
    gunicorn += ["--threads", str(THREADS), "--keep-alive", "75", "--access-logfile", "-"]
    match name:
        case "ours" | "ours-1-thread":  # the first as .ci/serve has it
            return [
                *gunicorn,
                *(["--worker-class", "gthread", "--threads", "1"] if name == "ours-1-thread" else []),
                "opticshop.config.wsgi:application",
                "--logger-class",
                "opticshop.config.gunicorn_logs.ScrubbedLogger",
            ]
        case "ours-waitress":
            listen = f"--listen=127.0.0.1:{port}"
            return [str(BIN / "waitress-serve"), listen, f"--threads={THREADS}", "opticshop.config.wsgi:application"]
        case "ours-granian":
            granian = [str(BIN / "granian"), "--interface", "wsgi", "--host", "127.0.0.1", "--port", str(port)]
            granian += ["--workers", str(workers), "--blocking-threads", str(THREADS), "--access-log", "--no-ws"]
            return [*granian, "opticshop.config.wsgi:application"]
        case "raw":
            return [*gunicorn, f"{HERE}.raw:application"]
        case "plain":
            return [*gunicorn, f"{HERE}.plain.wsgi:application"]
        case _:
            uvicorn = [str(BIN / "python"), "-m", "uvicorn", f"{HERE}.fast:application", "--port", str(port)]
            return [*uvicorn, "--workers", str(workers), "--timeout-keep-alive", "75"]


class Field:
    """What all of a run share: a folder for logs, the database, the core of the servers."""

    def __init__(self, url: str, *, cores: str | None, workers: int = 1, source: Path = ROOT) -> None:
        """``source``: where ours is taken from, for instance a worktree of another commit."""
        self.url, self.cores, self.workers, self.source = url, cores, workers, source
        self.var = Path(tempfile.mkdtemp(prefix="opticshop-bench-"))
        (self.var / "metrics").mkdir()
        self.environment = environment(url, self.var, secrets.token_urlsafe(64))
        self.servers: dict[str, Server] = {}

    def manage(self, *arguments: str) -> str:
        done = subprocess.run(
            [sys.executable, *arguments],
            cwd=self.source,
            env=self.environment | {"PYTHONPATH": str(self.source)},
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode:
            raise RuntimeError(f"{arguments[0]}: {done.stdout[-1500:]}{done.stderr[-3000:]}")
        return done.stdout

    def credentials(self, branches: list[str]) -> str:
        """A service account with the role of a counter at each branch, as JSON: branch -> id, secret, scopes."""
        return self.manage("-c", _REGISTER, *branches).splitlines()[-1]

    def start(self, name: str) -> Server:
        port, log = free_port(), self.var / f"{name}.log"
        pinned = ["taskset", "-c", self.cores] if self.cores else []
        own, home = self.environment, ROOT
        if name.startswith("ours"):
            own, home = own | {"PYTHONPATH": str(self.source)}, self.source
        if name == "plain":
            own = own | {"DJANGO_SETTINGS_MODULE": f"{HERE}.plain.settings"}
        with log.open("wb") as out:
            process = subprocess.Popen(
                [*pinned, *_command(name, port, self.workers)],
                cwd=home,
                env=own,
                stdout=out,
                stderr=out,
                start_new_session=True,
            )
        server = self.servers[name] = Server(name, port, process, log)
        ends = time.monotonic() + 90
        while time.monotonic() < ends and process.poll() is None:
            try:
                urllib.request.urlopen(f"{server.base}/api/v1/orders/", timeout=5)
            except urllib.error.HTTPError:
                return server
            except OSError:
                time.sleep(0.2)
        raise RuntimeError(f"{name} did not start:\n{log.read_text(errors='replace')[-3000:]}")

    def stop(self) -> None:
        for server in self.servers.values():
            for number in (signal.SIGTERM, signal.SIGKILL):
                with contextlib.suppress(ProcessLookupError, subprocess.TimeoutExpired):
                    os.killpg(server.process.pid, number)
                    server.process.wait(20)
                    break
        self.servers.clear()


@contextlib.contextmanager
def field_of(url: str, *, cores: str | None, workers: int = 1, source: Path = ROOT) -> Iterator[Field]:
    made = Field(url, cores=cores, workers=workers, source=source)
    try:
        yield made
    finally:
        made.stop()
