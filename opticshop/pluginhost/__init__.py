"""Finds, checks, activates and isolates plugins; the only way from the core to what plugins bring."""
