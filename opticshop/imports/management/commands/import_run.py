"""Takes the rows of an import that was started over in this process, instead of waiting for the duty; for big files."""

from __future__ import annotations

import uuid
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from opticshop.imports.models import ImportFile
from opticshop.imports.services import chunk_apply


class Command(BaseCommand):
    help = "Apply the rows of a started import now. May run beside the duty: each row is applied once."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("import_id", type=uuid.UUID)

    def handle(self, *args: Any, import_id: uuid.UUID, **options: Any) -> None:
        files = ImportFile.objects.everywhere("a person at the server").filter(id=import_id).defer("content")
        file = files.first()
        if file is None:
            raise CommandError(f"There is no import {import_id}.")
        if file.state != ImportFile.State.RUNNING:
            raise CommandError(f"The import is {file.state}; start it with POST /api/v1/imports/{import_id}/run/.")
        total, more = 0, True
        while more:
            settled, more = chunk_apply(import_id)
            total += settled
        self.stdout.write(f"{total} rows; the import is {files.values_list('state', flat=True).get()}")
