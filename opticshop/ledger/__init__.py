"""Owns the double entry: accounts, balanced entries that are never changed, periods, exports for bookkeeping."""
