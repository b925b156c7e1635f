"""Reads of purchasing, limited to what the actor may see."""
