"""What goes into the log, and how often."""

from __future__ import annotations

import logging
from types import SimpleNamespace

from opticshop.config import logs


def test_a_beat_that_cannot_reach_redis_says_so_in_one_line_in_ten_seconds(caplog, monkeypatch):
    """As celery.beat 5.7 says it (Scheduler.apply_entry): a message with a list of frames, and the exception."""
    monkeypatch.setattr(logs, "time", SimpleNamespace(monotonic=lambda: now[0]))
    now = [100.0]
    told = logging.getLogger("celery.beat.test")
    told.addFilter(logs.ShortOnBeat())
    for now[0] in (100.0, 100.1, 109.9, 110.1):
        try:
            raise ConnectionError("refused")
        except ConnectionError as error:
            told.error("Message Error: %s\n%s", error, ["frame"], exc_info=True)
    told.error("Something else")
    assert [(each.getMessage(), each.exc_info) for each in caplog.records] == [
        ("refused (0 more of these were left out)", None),
        ("refused (2 more of these were left out)", None),
        ("Something else", None),
    ]
