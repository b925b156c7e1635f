"""Spectacle optics."""
