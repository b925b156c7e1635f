"""Spectacle optics: pure functions on numbers and arrays."""
