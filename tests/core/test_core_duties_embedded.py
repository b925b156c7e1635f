"""The embedded runner as a process of its own, on a database file: what hangs holds up its own queue only."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import time

import pytest
from django.core.management import CommandError, call_command
from django.db import connection

from opticshop.core.duties import Duty

RUNNER = """
import sys, time
import django
django.setup()
from django.core.management import call_command
from opticshop.core.duties import duty

@duty("test.hangs", every_seconds=1, queue="webhooks")
def hangs():
    time.sleep(60)
    return 0

call_command("jobs_run", grace=0.5)
"""


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor != "sqlite", reason="the embedded runner is for one shop with a database file")
def test_the_runner_goes_on_beside_a_duty_that_hangs_and_stops_when_told(tmp_path):
    file = tmp_path / "shop.sqlite3"
    with connection.cursor() as cursor:
        cursor.execute("VACUUM INTO %s", [str(file)])
    environment = {
        **{key: value for key, value in os.environ.items() if key not in {"REDIS_URL", "OPTICSHOP_TEST_DB"}},
        "DATABASE_URL": f"sqlite:///{file}",
        "DJANGO_SETTINGS_MODULE": "opticshop.config.settings.test",
        "PYTHONUNBUFFERED": "1",
    }
    with subprocess.Popen(
        [sys.executable, "-c", RUNNER], env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as runner:
        try:
            ends = time.monotonic() + 40
            while time.monotonic() < ends and _runs(file).get("core.deliver_events", 0) < 2:
                assert runner.poll() is None, runner.stderr.read()
                time.sleep(0.2)
            told = time.monotonic()
            runner.send_signal(signal.SIGTERM)
            out, err = runner.communicate(timeout=10)
        finally:
            runner.kill()
    runs = _runs(file)
    assert runs["core.deliver_events"] >= 2
    assert runs["test.hangs"] == 0, "it was begun and never ended"
    assert time.monotonic() - told < 6
    assert runner.returncode == 0, err
    assert "stopped, leaving webhooks" in out


def _runs(file) -> dict[str, int]:
    with sqlite3.connect(file, timeout=20) as database:
        return dict(database.execute("SELECT name, SUM(runs) FROM core_dutyrun GROUP BY name").fetchall())


def test_a_duty_that_fails_does_not_keep_the_others_from_being_run_once(monkeypatch, capsys):
    def broken():
        raise RuntimeError("out of order")

    ran = [Duty("test.a", 60, lambda: 2), Duty("test.broken", 60, broken), Duty("test.z", 60, lambda: 3)]
    monkeypatch.setattr("opticshop.core.management.commands.jobs_run.all_duties", lambda: ran)
    with pytest.raises(CommandError, match=r"test\.broken"):
        call_command("jobs_run", once=True)
    assert capsys.readouterr().out.split("\n")[:2] == ["test.a: 2", "test.z: 3"]
