"""Let old events go at once, or only say what would go. The duty ``integrations.forget`` does it by itself."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser

from opticshop.core.append_only import may_open
from opticshop.integrations.retention import Forgotten, forget, would_forget


class Command(BaseCommand):
    help = "Let go of events and deliveries that are older than they are kept. Ends with 1 if something holds it up."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--dry-run", action="store_true", help="Only say how much it would be.")

    def handle(self, *args: Any, dry_run: bool, **options: Any) -> None:
        events, deliveries = (
            f"{days} days" if days > 0 else "for good"
            for days in (settings.OPTICSHOP_EVENTS_DAYS, settings.OPTICSHOP_DELIVERIES_DAYS)
        )
        self.stdout.write(f"Kept: events {events}, finished deliveries {deliveries}.")
        if dry_run:
            found, word = would_forget(), "Would let go of"
        elif may_open():
            found, word = forget(), "Let go of"
        else:
            raise CommandError("Only the owner of the tables can let events go.", returncode=2)
        self.stdout.write(f"{word} {_words(found)}.")
        if found.held_by:
            raise CommandError(f"Held up: {found.held_by}.", returncode=1)


def _words(found: Forgotten) -> str:
    months = ", ".join(found.partitions) or "none"
    return (
        f"{found.events} events of the feed, {found.unplaced} others, {found.deliveries} deliveries to handlers, "
        f"{found.webhook_deliveries} to webhooks with {found.attempts} attempts; partitions: {months}"
    )
