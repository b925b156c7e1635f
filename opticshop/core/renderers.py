"""Renderers of finished papers: bytes and text go out as they are, a problem still as JSON."""

from __future__ import annotations

from typing import Any

from rest_framework.renderers import BaseRenderer, JSONRenderer


class _AsItIs(BaseRenderer):
    def render(self, data: Any, accepted_media_type: Any = None, renderer_context: Any = None) -> Any:
        if isinstance(data, bytes | str):
            return data
        return JSONRenderer().render(data)


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
