"""Owns buying: suppliers and their prices, purchase orders, deliveries, supplier returns, lenses made for one order."""
