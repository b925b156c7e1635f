"""``manage.py check --database default`` says when the database does not write the audit trail.

A warning and no error: ``migrate`` checks first, and it is what puts the triggers right.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.core.checks import CheckMessage, Tags, register
from django.core.checks import Warning as Caution
from django.db import connections

from .triggers import present, wanted


@register(Tags.database)
def triggers_are_installed(app_configs: Any, databases: Sequence[str] | None = None, **_: Any) -> list[CheckMessage]:
    found: list[CheckMessage] = []
    for alias in databases or ():
        connection = connections[alias]
        should = wanted(connection)
        are = present(connection)
        wrong = sorted(name for name, made in should.items() if are.get(name) != made)
        if wrong:
            words = f"{len(wrong)} triggers of the audit trail are missing or other ones, first {wrong[0]}."
            found.append(Caution(words, hint="Run manage.py audit_install.", id="audit.W001"))
    return found
