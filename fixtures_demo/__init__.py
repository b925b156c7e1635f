"""Invented demo data and one story told with it. Nobody and nothing in here is real."""
