"""The installation of the first landed version, laid out on this machine."""

from __future__ import annotations

import datetime as dt
import json
import lzma
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psycopg
from django.db import connection

from opticshop.config.backup import databases, postgresql

HERE = Path(__file__).parent
FACTS: dict[str, Any] = json.loads((HERE / "landed.json").read_text(encoding="utf-8"))
#: App -> name of its last migration then.
LEAVES: dict[str, str] = FACTS["leaves"]


def unpacked(name: str) -> bytes:
    return lzma.decompress((HERE / f"{name}.xz").read_bytes())


def answers() -> dict[str, Any]:
    """What that version answered, by address."""
    return json.loads(unpacked("landed.answers.json"))[connection.vendor]


def moment() -> dt.datetime:
    return dt.datetime.fromisoformat(FACTS["at"][connection.vendor])


@contextmanager
def in_place(folder: Path) -> Iterator[None]:
    """The default connection is to that installation for as long as this lasts."""
    settings = connection.settings_dict
    if connection.vendor == "sqlite":
        file = folder / "landed.sqlite3"
        file.write_bytes(unpacked("landed.sqlite3"))
        with databases.in_place_of_default(settings | {"NAME": str(file)}):
            yield
        return
    settings = settings | {"NAME": f"{settings['NAME']}_landed"}
    postgresql.drop(settings)
    postgresql.create(settings)
    try:
        with psycopg.connect(**postgresql.parameters(settings), autocommit=True) as opened:
            opened.execute(unpacked("landed.postgresql.sql"))
        with databases.in_place_of_default(settings):
            yield
    finally:
        postgresql.drop(settings)
