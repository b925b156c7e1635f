"""Owns the measuring and making instruments of a branch: what is checked when, with which piece, and what came out."""
