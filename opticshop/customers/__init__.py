"""Owns the people who wear what we make: who they are, how to reach them, and what they agreed to hear from us."""
