"""Owns who comes when: appointments of a branch, and the calendar feeds that show them."""
