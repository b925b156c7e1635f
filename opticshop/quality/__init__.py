"""Owns the final inspection against a tolerance standard, and the handover to the customer."""
