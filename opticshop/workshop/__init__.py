"""Owns the bench: the job of an order, its ordinary steps, focimeter readings, breakages, the ticket and the layout."""
