"""Print the SQL that gives a role of PostgreSQL what the service needs and nothing that could harm the trail."""

from __future__ import annotations

import re
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from opticshop.audit.proof import SEALED_TABLES
from opticshop.core.partitions import declared, partitions_of


class Command(BaseCommand):
    help = (
        "Print the SQL for a role of PostgreSQL that runs the service but owns nothing: it can neither change the "
        "audit trail nor drop its triggers. The owner runs it after each migrate."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("role", help="The role that the service signs in with.")

    def handle(self, *args: Any, role: str, **options: Any) -> None:
        if not re.fullmatch(r"[a-z_][a-z0-9_]{0,62}", role):
            raise CommandError("A role is named in small letters, digits and underscores.", returncode=2)
        parts = [each.name for table in declared() if table.guarded for each in partitions_of(table.table)]
        tables = ", ".join([*SEALED_TABLES, *parts])
        for line in (
            f"GRANT USAGE ON SCHEMA public TO {role};",
            f"GRANT SELECT, INSERT, UPDATE, DELETE ON ALL TABLES IN SCHEMA public TO {role};",
            f"GRANT USAGE, SELECT ON ALL SEQUENCES IN SCHEMA public TO {role};",
            f"REVOKE UPDATE, DELETE, TRUNCATE, TRIGGER ON {tables} FROM {role};",
        ):
            self.stdout.write(line)
