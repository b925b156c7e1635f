"""Owns what is in the drawers: lots, the append-only ledger of movements, the balances derived from it, reservations."""
