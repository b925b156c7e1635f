"""Owns what is in the drawers: lots, the append-only ledger of movements, balances proved by it, reservations."""
