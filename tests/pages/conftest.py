"""A real Chromium for the tests marked ``browser``; where none stands, or its driver is not installed, they say so."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from importlib.util import find_spec
from typing import Any

import pytest

NAMES = ("chromium", "chromium-browser", "google-chrome-stable", "google-chrome")


def chromium() -> str | None:
    """The path of a Chromium on this machine: the one named by OPTICSHOP_CHROMIUM, or one on the search path."""
    named = os.environ.get("OPTICSHOP_CHROMIUM")
    return named or next((found for name in NAMES if (found := shutil.which(name))), None)


def why_not() -> str | None:
    missing = [name for name in ("playwright", "axe_playwright_python") if find_spec(name) is None]
    if missing:
        return f"{' and '.join(missing)} not installed: make browser-tests installs requirements/browser.txt"
    return None if chromium() else "no Chromium on this machine (OPTICSHOP_CHROMIUM names one)"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    reason = why_not()
    for item in items:
        if reason and item.get_closest_marker("browser"):
            item.add_marker(pytest.mark.skip(reason=reason))


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    # The driver's event loop runs in this thread; Django's guard against queries in one would take it for ours.
    before = os.environ.get("DJANGO_ALLOW_ASYNC_UNSAFE")
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "1"
    with sync_playwright() as driver:
        arguments = ["--no-sandbox"] if os.geteuid() == 0 else []  # Chromium has no sandbox for root
        started = driver.chromium.launch(executable_path=chromium(), args=arguments)
        yield started
        started.close()
    if before is None:
        os.environ.pop("DJANGO_ALLOW_ASYNC_UNSAFE", None)
