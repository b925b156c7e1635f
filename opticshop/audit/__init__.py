"""Owns who did and who read what, from where and when: append-only, chained by hashes."""
