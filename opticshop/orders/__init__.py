"""Owns orders: one pair of spectacles, computed, priced and reserved in one transaction, followed to collection."""
