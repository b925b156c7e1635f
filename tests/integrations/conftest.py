from __future__ import annotations

import datetime as dt
import time
from collections.abc import Iterator
from typing import Any

import pytest

from opticshop.core import clock
from opticshop.integrations import services

from .receiving import PAID, SYSTEM, Receiver


@pytest.fixture
def receiver(settings: Any) -> Iterator[Receiver]:
    settings.OPTICSHOP_WEBHOOKS_ALLOW_PRIVATE = True
    found = Receiver()
    yield found
    found.server.shutdown()
    found.server.server_close()


@pytest.fixture(autouse=True)
def steady_clock() -> Iterator[dt.datetime]:
    """Held at the real moment: the reference library compares with the clock of the machine."""
    moment = dt.datetime.fromtimestamp(int(time.time()), dt.UTC)
    with clock.at(moment):
        yield moment


@pytest.fixture
def add(receiver: Receiver) -> Any:
    """``add(branch)`` makes an endpoint at the receiver that hears of payments."""

    def made(branch: Any = None, **more: Any) -> services.WithSecret:
        return services.endpoint_add(
            **{"actor": SYSTEM, "branch": branch, "url": receiver.url, "event_types": [PAID], **more}
        )

    return made
