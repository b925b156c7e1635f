"""Runs in which things break: real workers, a database and a Redis of their own, a carrier that misbehaves."""
