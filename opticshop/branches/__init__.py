"""Owns the branches of the group: where they are, their time zone, currency and jurisdiction, and their number series."""
