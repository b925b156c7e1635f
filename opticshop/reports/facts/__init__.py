"""Daily facts: what reports add up of days that are over, kept so that a year need not be counted from its rows.

``models``    facts by branch and day, which days are built, which are stale
``triggers``  the database marks a day as stale in the transaction that changes a row it was counted from
``building``  counts whole days from the raw rows
``reading``   a report reads facts for days that are built and not stale, and the raw rows for all others
``proving``   facts beside the raw rows, difference by difference

Facts are never another source: they are made by the functions that count the raw rows, and hold only what can be added
from day to day (counts, sums, and for percentiles how often each value was seen). Shares are reckoned when a report is
asked for.
"""
