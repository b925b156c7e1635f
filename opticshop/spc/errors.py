"""The one error of this package."""

from __future__ import annotations


class SpcError(ValueError):
    """The data cannot be charted or judged; the message says what is missing."""
