"""JSON as the API answers it; and finished papers: bytes and text go out as they are, a problem still as JSON."""

from __future__ import annotations

from typing import Any

import orjson
from rest_framework.renderers import BaseRenderer, JSONRenderer
from rest_framework.utils.encoders import JSONEncoder

_other = JSONEncoder().default
_SEPARATORS = {"\u2028".encode(): rb"\u2028", "\u2029".encode(): rb"\u2029"}


class JsonRenderer(JSONRenderer):
    """What the framework's own renderer writes, by orjson. What that does not take, such as a whole number of more
    than 64 bits, or an indentation that the caller asked for, goes to the framework."""

    def render(self, data: Any, accepted_media_type: str | None = None, renderer_context: Any = None) -> bytes:
        if data is None:
            return b""
        if accepted_media_type != self.media_type and self.get_indent(
            accepted_media_type or "", renderer_context or {}
        ):
            return super().render(data, accepted_media_type, renderer_context)
        return dumps(data)


def dumps(data: Any) -> bytes:
    """Compact JSON in UTF-8. Raises TypeError for what JSON has no words for."""
    try:
        found = orjson.dumps(data, default=_other, option=orjson.OPT_UTC_Z)
    except TypeError:
        return JSONRenderer().render(data)
    for raw, escaped in _SEPARATORS.items():
        if raw in found:  # line ends to JavaScript, as the framework's renderer escapes them
            found = found.replace(raw, escaped)
    return found


class _AsItIs(BaseRenderer):
    def render(self, data: Any, accepted_media_type: Any = None, renderer_context: Any = None) -> Any:
        if isinstance(data, bytes | str):
            return data
        return dumps(data)


class PdfRenderer(_AsItIs):
    media_type = "application/pdf"
    format = "pdf"
    charset = None
    render_style = "binary"


class SvgRenderer(_AsItIs):
    media_type = "image/svg+xml"
    format = "svg"
    charset = "utf-8"


class AnyFileRenderer(_AsItIs):
    """For a file whose type is known only when it is there."""

    media_type = "*/*"
    format = "file"
    charset = None
    render_style = "binary"
