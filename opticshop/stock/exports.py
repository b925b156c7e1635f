"""Rows as CSV after RFC 4180, safe to open in a spreadsheet."""

from __future__ import annotations

from opticshop.core.csv_text import lines as csv_text

__all__ = ["csv_text"]
