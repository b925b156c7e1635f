"""Invented people and prescriptions in any number, column by column from a seed.

`distributions` says what is drawn from, each figure with its source; `drawing` draws a batch;
`names` makes names; `writing` writes people with prescription and measurement. Orders are not made yet.
"""

from __future__ import annotations
