"""Gunicorn's log as ours: requests without the query of their address, which names people, and without secret words."""

from __future__ import annotations

import logging
from typing import Any

from gunicorn.glogging import Logger

from .logs import line_formatter
from .scrubbing import scrubbed


class ScrubbedLogger(Logger):
    """``gunicorn --logger-class opticshop.config.gunicorn_logs.ScrubbedLogger``"""

    def setup(self, cfg: Any) -> None:
        super().setup(cfg)
        for handler in (*self.error_log.handlers, *self.access_log.handlers):
            handler.setFormatter(line_formatter())

    def atoms(self, resp: Any, req: Any, environ: Any, request_time: Any) -> dict[str, Any]:
        found: dict[str, Any] = super().atoms(resp, req, environ, request_time)
        path = scrubbed(str(environ.get("PATH_INFO", "")))
        said = {"r": f"{environ.get('REQUEST_METHOD')} {path} {environ.get('SERVER_PROTOCOL')}", "U": path}
        return {**found, **said, "q": "", "f": "-", "u": "-"}


logging.raiseExceptions = False
