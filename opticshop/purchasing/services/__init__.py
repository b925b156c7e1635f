"""Writes of purchasing, one module per document."""
