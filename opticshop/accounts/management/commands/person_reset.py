"""For whoever runs the machine: lets a person in again when nobody of head office can."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from opticshop.accounts import services
from opticshop.accounts.models import User
from opticshop.accounts.selectors import has_second_factor
from opticshop.core.actor import system
from opticshop.core.errors import DomainError


class Command(BaseCommand):
    help = "Print a link by which a person chooses a new password; lift a stop; with --second-factor, reset that too."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("username")
        parser.add_argument("--second-factor", action="store_true", help="The phone and the recovery codes are lost")

    def handle(self, *args: Any, **options: Any) -> None:
        actor = system("person_reset")
        user = User.objects.filter(username=options["username"], kind=User.Kind.PERSON).first()
        if user is None:
            raise CommandError(f"There is nobody called {options['username']}.")
        try:
            if options["second_factor"] and has_second_factor(user):
                services.second_factor_reset(actor=actor, user=user)
            services.attempts_lift(actor=actor, user=user)
            invited = services.invitation_make(actor=actor, user=user)
        except DomainError as error:
            raise CommandError(error.detail) from error
        self.stdout.write(f"{invited.url}\nIt works once, until {invited.expires_at:%Y-%m-%d %H:%M} UTC.")
