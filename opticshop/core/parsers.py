"""What comes in as JSON or as a form, bounded before it is read.

JSON is UTF-8 (RFC 8259, 8.1). Refused are: more bytes or values than anything here needs, deeper nesting, a name that
stands twice in one object (RFC 8259, 4: which one counts is not known), numbers that no column holds, and half a
character.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import IO, Any

from django.conf import settings
from django.core.exceptions import RequestDataTooBig
from rest_framework.exceptions import ParseError
from rest_framework.parsers import JSONParser, MultiPartParser

MAX_DEPTH = 64
#: Values and names in one body, as its punctuation shows them; a batch of 10,000 rows has 200,000.
MOST_VALUES = 400_000
#: Digits of a number as it is written; a whole number must also fit into 64 bits.
LONGEST_NUMBER = 100
_INTEGERS = range(-(2**63), 2**63)
#: What a form may have beside its file: boundaries, headings and short fields.
FORM_BYTES = 64 * 1024


class BoundedJSONParser(JSONParser):
    def parse(
        self,
        stream: IO[Any],
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> Any:
        most = settings.DATA_UPLOAD_MAX_MEMORY_SIZE
        content = stream.read(most + 1)
        if len(content) > most:
            raise RequestDataTooBig(f"JSON of more than {most} bytes")
        if sum(map(content.count, (b",", b"[", b"{"))) > MOST_VALUES:
            raise ParseError(f"The JSON holds more than {MOST_VALUES} values.")
        try:
            text = content.decode("utf-8")
            data = self.read(text)
        except ValueError as error:
            raise ParseError(f"JSON parse error: {_first_words(error)}") from error
        except RecursionError as error:
            raise ParseError(f"The JSON is nested deeper than {MAX_DEPTH} levels.") from error
        if _deeper_than(data, MAX_DEPTH):
            raise ParseError(f"The JSON is nested deeper than {MAX_DEPTH} levels.")
        if "\\ud" in text.lower():
            _refuse_half_characters(data)
        return data

    def read(self, text: str) -> Any:
        """The JSON as Python sees it, before its depth is judged. Raises ValueError, RecursionError."""
        return json.loads(
            text,
            parse_float=self.number,
            parse_int=_whole,
            parse_constant=_refused_constant,
            object_pairs_hook=_without_repeats,
        )

    def number(self, text: str) -> Any:
        """What a number with a point or an exponent becomes. Raises ValueError."""
        if len(text) > LONGEST_NUMBER or not math.isfinite(number := float(text)):
            raise ValueError("a number is too large, or has too many digits")
        return number


class BoundedMultiPartParser(MultiPartParser):
    """A form with one file. How large the file may be is said by ``most_upload_bytes`` of the view; what is said to be
    larger is refused before a byte of it is read or laid on the disk.
    """

    def parse(
        self,
        stream: IO[Any],
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> Any:
        context = parser_context or {}
        most = context["view"].most_upload_bytes()
        if stated_length(context["request"].META) > most + FORM_BYTES:
            raise RequestDataTooBig(f"a form with a file of more than {most} bytes")
        return super().parse(stream, media_type, parser_context)


def stated_length(meta: Mapping[str, Any]) -> int:
    """Content-Length; 0 where it is missing or no number, as Django reads nothing then."""
    try:
        return int(meta.get("CONTENT_LENGTH") or 0)
    except ValueError:
        return 0


def _refused_constant(name: str) -> Any:
    """NaN and Infinity are no JSON (RFC 8259, 6)."""
    raise ValueError(f"{name} is no JSON")


def _without_repeats(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """Of a sphere that is given twice neither may be taken."""
    found = dict(pairs)
    if len(found) < len(pairs):
        raise ValueError("a name is given twice in one object")
    return found


def _whole(text: str) -> int:
    if len(text) > LONGEST_NUMBER or (number := int(text)) not in _INTEGERS:
        raise ValueError("a whole number does not fit into 64 bits")
    return number


def _first_words(error: ValueError) -> str:
    """What is wrong, without the bytes in which it is wrong."""
    return "it is not UTF-8" if isinstance(error, UnicodeDecodeError) else str(error)


def _refuse_half_characters(data: Any) -> None:
    try:
        json.dumps(data, ensure_ascii=False, default=str).encode()
    except UnicodeEncodeError as error:
        raise ParseError("The JSON holds a surrogate that stands for no character.") from error


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
