"""Owns payments and receipts: what was taken for an order, what is still owed, and the paper that says so."""
