"""Owns the people and services who sign in, their roles at branches, and what a request may do on their behalf."""
