"""A real server and job runner for the story, on a free port, with a database of their own in ``var/demo``."""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import requests

ROOT = Path(__file__).resolve().parents[1]
VAR = ROOT / "var" / "demo"
TOUR = ROOT / "var" / "tour"


class StoryIsWrong(AssertionError):
    """A figure or an answer is not what it must be."""


def environment(var: Path = VAR) -> dict[str, str]:
    """Settings of their own: embedded, SQLite, nothing of the caller's databases."""
    kept = {
        k: v for k, v in os.environ.items() if not k.startswith(("OPTICSHOP", "DATABASE_URL", "REDIS_URL", "DJANGO"))
    }
    return kept | {
        "DJANGO_SETTINGS_MODULE": "opticshop.config.settings.base",
        "OPTICSHOP_VAR": str(var.relative_to(ROOT)),
        "OPTICSHOP_TOKEN_SECONDS": "36000",
        "OPTICSHOP_INVENTED_DATA": "1",
        "OPTICSHOP_MESSAGES_DIR": str(var / "messages"),
        "OPTICSHOP_SECRET_KEY": "a-key-for-the-demo-only-0123456789abcdef",
        "OPTICSHOP_LOG_LEVEL": "ERROR",
        "PYTHONWARNINGS": "ignore",
    }


def prepare(var: Path = VAR) -> None:
    """An empty folder, so that the story can be told again and again."""
    shutil.rmtree(var, ignore_errors=True)
    var.mkdir(parents=True)
    own = environment(var)
    os.environ.clear()
    os.environ.update(own)


@contextmanager
def running(var: Path = VAR, port: int = 0) -> Iterator[str]:
    """The web server and the job runner; yields the base address. Both are stopped at the end."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        probe.bind(("127.0.0.1", port))
        port = probe.getsockname()[1]
    log = (var / "service.log").open("w")
    web = [sys.executable, "-m", "gunicorn", "opticshop.config.wsgi:application"]
    web += ["--bind", f"127.0.0.1:{port}", "--threads", "4", "--log-level", "warning"]
    commands = [web, [sys.executable, "manage.py", "jobs_run"]]
    processes = [
        subprocess.Popen(command, cwd=ROOT, env=environment(var), stdout=log, stderr=log) for command in commands
    ]
    base = f"http://127.0.0.1:{port}"
    try:
        _wait_until_ready(base, processes, var)
        yield base
    finally:
        for process in processes:
            process.terminate()
        for process in processes:
            process.wait(timeout=20)
        log.close()


def _wait_until_ready(base: str, processes: list[subprocess.Popen[bytes]], var: Path) -> None:
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        if any(process.poll() is not None for process in processes):
            break
        try:
            if requests.get(f"{base}/health/ready", timeout=2).status_code == 200:
                return
        except requests.RequestException:
            time.sleep(0.2)
    raise StoryIsWrong(f"The service did not start:\n{(var / 'service.log').read_text()}")


class Client:
    """One signed-in client. Every call says what status it expects; another one ends the story."""

    def __init__(self, base: str, credentials: tuple[str, str]) -> None:
        self.base = base
        self.session = requests.Session()
        answer = self.session.post(
            f"{base}/oauth/token/",
            data={"grant_type": "client_credentials", "scope": " ".join(_scopes(credentials[0]))},
            auth=credentials,
            timeout=10,
        )
        if answer.status_code != 200:
            raise StoryIsWrong(f"Sign-in failed: {answer.status_code} {answer.text}")
        self.session.headers["Authorization"] = f"Bearer {answer.json()['access_token']}"

    def get(self, path: str, expect: int = 200) -> Any:
        return self._answer("GET", path, None, expect, {})

    def post(self, path: str, body: dict[str, Any], expect: int = 201, **headers: str) -> Any:
        return self._answer("POST", path, body, expect, headers)

    def put(self, path: str, body: dict[str, Any], version: int) -> Any:
        return self._answer("PUT", path, body, 200, {"If-Match": f'"{version}"'})

    def raw(self, path: str) -> bytes:
        answer = self.session.get(f"{self.base}/api/v1{path}", timeout=30)
        if answer.status_code != 200:
            raise StoryIsWrong(f"GET {path}: {answer.status_code} {answer.text[:500]}")
        return answer.content

    def _answer(self, method: str, path: str, body: Any, expect: int, headers: dict[str, str]) -> Any:
        answer = self.session.request(method, f"{self.base}/api/v1{path}", json=body, headers=headers, timeout=30)
        if answer.status_code != expect:
            raise StoryIsWrong(
                f"{method} {path} answered {answer.status_code}, not {expect}:\n{answer.text[:1500]}\n"
                f"for {json.dumps(body)}"
            )
        return answer.json() if answer.content else None


def _scopes(client_id: str) -> list[str]:
    """All that the client may ask for; to ask for more is refused."""
    from opticshop.accounts.models import ServiceAccount

    found = ServiceAccount.objects.get(application__client_id=client_id).scopes
    return list(found or ())


def eventually(what: str, look: Any, seconds: float = 20) -> Any:
    """What ``look`` finds as soon as it finds something: the job runner needs a moment."""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        found = look()
        if found:
            return found
        time.sleep(0.2)
    raise StoryIsWrong(f"Waited {seconds:g} s in vain for {what}.")
