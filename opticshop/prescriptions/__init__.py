"""Owns prescriptions as written, their amendments and overrides, and the measurements taken on the face."""
