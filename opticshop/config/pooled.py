"""Connections of the pool, which looks at each before it hands it out."""

from __future__ import annotations

import select
from typing import Any

import psycopg


class Connection(psycopg.Connection[Any]):
    """The pool sends an empty statement to learn whether the connection stands. Where the server has ended it, there is
    something to be read, if only the end; where there is nothing, the server need not be asked."""

    def execute(self, query: Any, *args: Any, **kwargs: Any) -> Any:
        if query == "" and self._is_silent():
            return self.cursor()
        return super().execute(query, *args, **kwargs)

    def _is_silent(self) -> bool:
        looked = select.poll()
        looked.register(self.fileno(), select.POLLIN)  # a broken connection is told unasked
        return not self.closed and not looked.poll(0)
