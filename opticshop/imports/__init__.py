"""Owns the taking over of data from files: mapping, dry run, row errors, exactly once."""
