"""Owns the advice on what to keep: demand models, levels per power, runs with their suggestions, simulations."""
