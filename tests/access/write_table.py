"""Writes docs/access.md from the table in the code.

``python -m tests.access.write_table`` writes the file; with ``--operations`` it prints instead which operations of
the
OpenAPI document each permission opens.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

FILE = Path(__file__).resolve().parents[2] / "docs" / "access.md"

_HEAD = """# Who may do what

Written from `opticshop/config/access.py` by `python -m tests.access.write_table`; a test compares the two.

**Where.** A role is held at a branch and opens that branch and no other: a row of another branch is not there (404), in
lists, by key, as a filter, in bodies, in files and in events. {spanning} may be held in every branch at once;
then they open all of them. What belongs to the whole group (catalogue, suppliers, group price lists) is read by whoever
may read it anywhere; changing it needs the role in every branch, as the last column says.

**What a request needs.** Signed in (else 401), a role that holds the permission somewhere (else 403), the scope if a
token is used (else 403), and the row at a branch where it is held (else 404). The permission of each operation is
declared by its view set; an operation without one cannot be routed, and one that is not in this table fails the tests.
`python -m tests.access.write_table --operations` lists the operations of each permission.

**Open operations**, which need no permission of this table:

{open}

| permission | scope | {roles} | and in every branch for |
|---|---|{bars}|---|
"""
_FOOT = """
How this is proved: `tests/access` walks every operation of the OpenAPI document as each role at its branch, as
somebody with every role at another branch, without a role, without signing in, with an expired token and with a token
for every scope but the one needed. Two branches hold alike rows of every model, whose keys, numbers and texts bear a
mark; no answer may show the mark of the branch that is not one's own.
"""


def written() -> str:
    from opticshop.accounts.access import scope_of
    from opticshop.config.access import EVERYWHERE, OF_THE_GROUP, TABLE

    from .operations import OPEN, ROLES

    def words(role: str) -> str:
        return role.replace("_", " ")

    head = _HEAD.format(
        spanning=" and ".join(words(role) for role in EVERYWHERE).capitalize(),
        open="\n".join(f"- `{name}`: {why}" for name, why in OPEN.items()),
        roles=" | ".join(words(role) for role in ROLES),
        bars="|".join(":-:" for _ in ROLES),
    )
    rows = []
    for permission, roles in sorted(TABLE.items(), key=lambda row: str(row[0])):
        cells = ["yes" if role in roles else "" for role in ROLES]
        rows.append(" | ".join([f"| `{permission}`", f"`{scope_of(permission)}`", *cells]))
        rows[-1] += f" | {OF_THE_GROUP.get(permission, '')} |"
    return head + "\n".join(rows) + "\n" + _FOOT


def by_permission() -> str:
    from .operations import operations

    found: dict[str, list[str]] = {}
    for operation in operations():
        needed = " + ".join(operation.permissions or ("open",)) if not operation.is_open else "open"
        found.setdefault(needed, []).append(operation.id)
    return "\n".join(f"{needed}: {', '.join(ids)}" for needed, ids in sorted(found.items()))


if __name__ == "__main__":
    import django

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "opticshop.config.settings.test")
    django.setup()
    if "--operations" in sys.argv:
        sys.stdout.write(by_permission() + "\n")
    else:
        FILE.write_text(written(), encoding="utf-8")
