"""Keyset pages: the key is the UUIDv7 primary key, newest first; a page costs the same however deep it lies."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import ValidationError
from rest_framework.exceptions import NotFound
from rest_framework.exceptions import ValidationError as Malformed
from rest_framework.pagination import CursorPagination
from rest_framework.request import Request
from rest_framework.response import Response


class KeyCursorPagination(CursorPagination):
    ordering = "-id"
    page_size = 50
    page_size_query_param = "page_size"
    max_page_size = 200

    def paginate_queryset(self, queryset: Any, request: Request, view: Any = None) -> list[Any] | None:
        """A page; a cursor that no page of ours could have given is not found."""
        try:
            return super().paginate_queryset(queryset, request, view)
        except (ValueError, ValidationError) as error:
            raise NotFound(str(self.invalid_cursor_message)) from error

    def get_page_size(self, request: Request) -> int | None:
        given = request.query_params.get(self.page_size_query_param)
        if given is not None and not (given.isascii() and given.isdigit() and int(given[:6]) > 0):
            raise Malformed({self.page_size_query_param: [f"A whole number from 1 to {self.max_page_size}."]})
        return super().get_page_size(request)

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
