"""Owns what the group sells: frames with boxed sizes, lens products with ranges and surfaces, services charged for."""
