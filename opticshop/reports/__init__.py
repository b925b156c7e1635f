"""Figures that head office steers the group by: each defined once, and reconciled with what it is counted from."""
