"""Owns what people are told: messages queued and sent through a channel plugin, and the recall of each wearer."""
