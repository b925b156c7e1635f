"""(c) The same endpoints by FastAPI and SQLAlchemy, asynchronous, written as somebody who knows them would.

Keyset pages, ``selectinload`` for what a row has many of and ``joinedload`` for what it has one of, one query for the
token, a pool of asyncpg connections with its prepared statements, reads without a transaction around them, shapes by
pydantic, uvloop and httptools below. It leaves out what ``raw`` leaves out, the doubts about a prescription too.
"""

from .app import application

__all__ = ["application"]
