"""Owns what must be seen before the customer asks: one alert a cause, owned, raised once, closed with its cause."""
