"""The commands of the README work as pasted, against the service that ``make tour`` starts."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
ENV = ROOT / "var" / "tour" / "env.sh"


def blocks():
    return re.findall(r"^```sh\n(.*?)^```", (ROOT / "README.md").read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)


@pytest.fixture
def tour():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    ENV.unlink(missing_ok=True)
    process = subprocess.Popen(
        [sys.executable, "-m", "fixtures_demo.tour"],
        cwd=ROOT,
        env={**os.environ, "PORT": str(port)},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    deadline = time.monotonic() + 120
    while not ENV.exists() and process.poll() is None and time.monotonic() < deadline:
        time.sleep(0.2)
    yield process
    process.send_signal(signal.SIGINT)
    process.wait(timeout=30)


def test_the_readme_tour_works_as_pasted(tour, tmp_path):
    assert ENV.exists(), tour.communicate(timeout=10)[0]
    assert len(blocks()) >= 8
    script = "set -e\n" + "\n".join(blocks()).replace("-o var/tour/layout.svg", f"-o {tmp_path}/layout.svg")
    ran = subprocess.run(["bash", "-c", script], cwd=ROOT, capture_output=True, text=True, timeout=120, check=False)
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert "prescriptions.axis_missing" in ran.stdout
    assert '"due":"143.00"' in ran.stdout
    assert "pass" in ran.stdout
    assert (tmp_path / "layout.svg").read_text().lstrip().startswith(("<?xml", "<svg"))
