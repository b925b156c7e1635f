"""Keyset pages: the key is the UUIDv7 primary key, newest first; a page costs the same however deep it lies."""

from __future__ import annotations

from typing import Any

from rest_framework.pagination import CursorPagination
from rest_framework.response import Response


class KeyCursorPagination(CursorPagination):
    ordering = "-id"
    page_size = 50
    page_size_query_param = "page_size"
    max_page_size = 200

    def get_paginated_response(self, data: Any) -> Response:
        following, previous = self.get_next_link(), self.get_previous_link()
        links = [f'<{url}>; rel="{rel}"' for url, rel in ((following, "next"), (previous, "prev")) if url is not None]
        headers = {"Link": ", ".join(links)} if links else {}
        return Response({"next": following, "previous": previous, "results": data}, headers=headers)

    def get_paginated_response_schema(self, schema: dict[str, Any]) -> dict[str, Any]:
        link = {"type": ["string", "null"], "format": "uri"}
        return {
            "type": "object",
            "required": ["next", "previous", "results"],
            "properties": {
                "next": {**link, "description": "Address of the next page, null on the last."},
                "previous": {**link, "description": "Address of the page before, null on the first."},
                "results": schema,
            },
        }
