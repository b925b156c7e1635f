"""Owns the branches of the group: where they are, their zone, currency and jurisdiction, and their number series."""
