"""Shapes of purchasing."""
