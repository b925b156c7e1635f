from __future__ import annotations


class DocumentError(ValueError):
    """The data cannot be put on paper as it is; ``field`` names the value at fault."""

    def __init__(self, detail: str, *, field: str = "") -> None:
        super().__init__(detail)
        self.detail = detail
        self.field = field
