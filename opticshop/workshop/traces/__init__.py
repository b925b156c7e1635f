"""Traces of frames at the bench: kept as they came, measured, compared, laid out, written for the edger."""
