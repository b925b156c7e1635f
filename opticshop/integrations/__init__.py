"""Owns what is told to machines: the feed of events for pollers; webhooks, their secrets, deliveries and attempts.

The outbox knows what happened, the feed gives it an order that a cursor can follow: ``feed.py``. What leaves the house
and who may read it stands in ``telling.py`` and ``event_types.py``; how it leaves in ``sending.py`` and, byte by byte,
in ``signing.py``, ``addresses.py`` and ``posting.py``.
"""
