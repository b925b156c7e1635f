"""JSON as it comes in: refused where it is nested deeper than anything here is, or holds half a character."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import IO, Any

from rest_framework.exceptions import ParseError
from rest_framework.parsers import JSONParser

MAX_DEPTH = 64


class BoundedJSONParser(JSONParser):
    def parse(
        self,
        stream: IO[Any],
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> Any:
        try:
            data = self.read(stream, media_type, parser_context)
        except RecursionError as error:
            raise ParseError(f"The JSON is nested deeper than {MAX_DEPTH} levels.") from error
        if _deeper_than(data, MAX_DEPTH):
            raise ParseError(f"The JSON is nested deeper than {MAX_DEPTH} levels.")
        try:
            json.dumps(data, ensure_ascii=False, default=str).encode()
        except UnicodeEncodeError as error:
            raise ParseError("The JSON holds a surrogate that stands for no character.") from error
        return data

    def read(self, stream: IO[Any], media_type: str | None, parser_context: Mapping[str, Any] | None) -> Any:
        """The JSON as Python sees it, before it is judged."""
        return super().parse(stream, media_type, parser_context)


def _deeper_than(data: Any, depth: int) -> bool:
    """Level by level, without recursion."""
    level = [data]
    for _ in range(depth):
        level = [
            inner
            for one in level
            if isinstance(one, dict | list)
            for inner in (one.values() if isinstance(one, dict) else one)
        ]
        if not level:
            return False
    return any(isinstance(one, dict | list) for one in level)
