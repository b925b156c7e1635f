"""Owns what is told to machines: events for pollers, webhooks and their deliveries."""
