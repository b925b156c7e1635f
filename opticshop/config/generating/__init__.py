"""Invented people and prescriptions in any number, column by column from a seed. Nothing here writes rows.

`distributions` says what is drawn from, each figure with its source; `drawing` draws a batch; `names` makes names.
"""

from __future__ import annotations
