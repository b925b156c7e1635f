"""Owns what brings people back: the news that a pair is ready, and the recall of each wearer."""
