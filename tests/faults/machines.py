"""A database, a Redis, workers and beats of a fault run's own, which can be killed, flushed and started again."""

from __future__ import annotations

import os
import random
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as found:
        return found.getsockname()[1]


def program(name: str) -> str | None:
    """Path of a program of PostgreSQL or Redis, or None."""
    homes = sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    return shutil.which(name, path=os.pathsep.join([*map(str, homes), os.environ.get("PATH", "")]))


def missing() -> list[str]:
    return [name for name in ("initdb", "pg_ctl", "redis-server", "redis-cli") if program(name) is None]


class Machines:
    """Everything below one directory; ``close`` ends what was started, and nothing else."""

    def __init__(self, *, workers: int = 3, beats: int = 2, children: int = 1) -> None:
        self.home = Path(tempfile.mkdtemp(prefix="opticshop-faults-"))
        self.home.chmod(0o755)
        self.clock = self.home / "clock"
        self.clock.write_text("0")
        self.pg_port, self.redis_port = free_port(), free_port()
        self.workers: dict[str, subprocess.Popen[bytes]] = {}
        self.beats: dict[str, subprocess.Popen[bytes]] = {}
        self.redis: subprocess.Popen[bytes] | None = None
        self.wanted, self.children = (workers, beats), children
        self.draw = random.Random(11)

    def environment(self) -> dict[str, str]:
        return {
            **os.environ,
            "DJANGO_SETTINGS_MODULE": "tests.faults.settings",
            "DATABASE_URL": f"postgresql://opticshop@127.0.0.1:{self.pg_port}/opticshop",
            "REDIS_URL": f"redis://127.0.0.1:{self.redis_port}/0",
            "FAULT_CLOCK": str(self.clock),
            "PYTHONPATH": str(ROOT),
            "OPTICSHOP_DB_POOL": "2",
        }

    # --- database ---------------------------------------------------------------------------------------------------
    def _as_postgres(self, *command: str) -> None:
        """PostgreSQL does not run as root."""
        if os.geteuid() == 0:
            subprocess.run(
                ["su", "postgres", "-s", "/bin/sh", "-c", " ".join(command)], check=True, capture_output=True
            )
        else:
            subprocess.run(list(command), check=True, capture_output=True)

    def start_database(self) -> None:
        place = self.home / "pg"
        place.mkdir()
        if os.geteuid() == 0:
            shutil.chown(place, "postgres")
        initdb = program("initdb")
        self._as_postgres(str(initdb), "-D", str(place), "-A", "trust", "-U", "opticshop", "-E", "UTF8", "--locale=C")
        with (place / "postgresql.conf").open("a") as conf:
            conf.write(f"port={self.pg_port}\nlisten_addresses='127.0.0.1'\nunix_socket_directories=''\n")
        self._pg("start")
        import psycopg

        with psycopg.connect(f"postgresql://opticshop@127.0.0.1:{self.pg_port}/postgres", autocommit=True) as told:
            told.execute("CREATE DATABASE opticshop")

    def _pg(self, *what: str) -> None:
        place = self.home / "pg"
        self._as_postgres(str(program("pg_ctl")), "-D", str(place), "-l", str(place / "log"), "-w", *what)

    def restart_database(self) -> None:
        """At once, as by a power cut: what runs is cut off, and recovery reads the log."""
        self._pg("restart", "-m", "immediate")

    # --- redis ------------------------------------------------------------------------------------------------------
    def start_redis(self) -> None:
        self.redis = subprocess.Popen(
            [str(program("redis-server")), "--port", str(self.redis_port), "--bind", "127.0.0.1", "--save", ""],
            stdout=subprocess.DEVNULL,
            cwd=self.home,
        )

    def kill_redis(self) -> None:
        if self.redis:
            self.redis.kill()
            self.redis.wait()

    def flush_redis(self) -> None:
        subprocess.run(
            [str(program("redis-cli")), "-p", str(self.redis_port), "FLUSHALL"], check=True, capture_output=True
        )

    # --- celery -----------------------------------------------------------------------------------------------------
    def start_celery(self, environment: dict[str, str]) -> None:
        self.celery_environment = environment
        self.keep_up()

    def keep_up(self) -> None:
        """What a supervisor does: start anew what has ended."""
        for number in range(self.wanted[0]):
            self._keep(self.workers, f"w{number}", ["worker", "-c", str(self.children), "-n", f"w{number}@fault"])
        for number in range(self.wanted[1]):
            self._keep(self.beats, f"b{number}", ["beat", "--pidfile="])

    def _keep(self, kept: dict[str, subprocess.Popen[bytes]], name: str, command: list[str]) -> None:
        if name in kept and kept[name].poll() is None:
            return
        with (self.home / f"{name}.log").open("ab") as log:
            kept[name] = subprocess.Popen(
                [sys.executable, "-m", "celery", "-A", "opticshop.config", *command, "--loglevel", "warning"],
                env=self.celery_environment,
                cwd=ROOT,
                stdout=log,
                stderr=log,
                start_new_session=True,
            )

    def kill_worker(self, *, child_only: bool = False) -> str:
        """kill -9 of one worker with its child, or of the child that does the work."""
        name = self.draw.choice(sorted(self.workers))
        pid = self.workers[name].pid
        if not child_only:
            _kill_group(pid)
            return name
        for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split():
            with suppress(ProcessLookupError):
                os.kill(int(child), signal.SIGKILL)
        return f"{name}'s child"

    def kill_all_workers(self) -> None:
        for each in self.workers.values():
            _kill_group(each.pid)

    def close(self, *, keep_files: bool = False) -> None:
        for each in [*self.workers.values(), *self.beats.values()]:
            _kill_group(each.pid)
            each.wait()
        self.kill_redis()
        if (self.home / "pg").exists():
            with suppress(subprocess.CalledProcessError):
                self._pg("stop", "-m", "immediate")
        if not keep_files:
            shutil.rmtree(self.home, ignore_errors=True)


def _kill_group(pid: int) -> None:
    with suppress(ProcessLookupError):
        os.killpg(pid, signal.SIGKILL)


def until(true: Any, seconds: float, what: str) -> None:
    ends = time.monotonic() + seconds
    while not true():
        if time.monotonic() > ends:
            raise TimeoutError(what)
        time.sleep(0.1)
