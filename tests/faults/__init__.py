"""Runs in which things break: real workers, a database and a Redis of their own, a carrier that misbehaves."""

#: For so many people who are due there is one who is not yet, and one who is due and wants no recall.
OTHERS_ONE_IN = 20
