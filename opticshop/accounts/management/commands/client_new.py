"""A client that may sign in: for an integrator (its secret is shown once), or for a staff app."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from opticshop.accounts import services
from opticshop.accounts.models import SPANNING_ROLES, Role
from opticshop.branches.models import Branch
from opticshop.core.actor import system
from opticshop.core.errors import DomainError


class Command(BaseCommand):
    help = "Register an OAuth2 client: client credentials with a role, or a staff app (authorization code with PKCE)."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("name")
        parser.add_argument("--role", choices=Role.values, help="For an integrator: what it may do")
        parser.add_argument("--branch", help="Code of the branch where it may do it; left out: everywhere")
        parser.add_argument("--staff-app", nargs="+", metavar="REDIRECT", help="For a staff app: where it is sent back")

    def handle(self, *args: Any, **options: Any) -> None:
        actor = system("client_new")
        if options["staff_app"]:
            try:
                client_id = services.staff_client_register(
                    actor=actor, name=options["name"], redirect_uris=options["staff_app"]
                )
            except DomainError as error:
                raise CommandError(error.detail) from error
            self.stdout.write(f"client_id {client_id}")
            return
        if not options["role"]:
            raise CommandError("Give --role for an integrator, or --staff-app for a staff app.")
        branch = Branch.objects.filter(code=options["branch"]).first() if options["branch"] else None
        if options["branch"] and branch is None:
            raise CommandError(f"There is no branch {options['branch']}.")
        if branch is None and options["role"] not in SPANNING_ROLES:
            raise CommandError(f"{options['role']} is held at a branch; give --branch.")
        try:
            made = services.service_client_register(
                actor=actor, name=options["name"], role=options["role"], branch=branch
            )
        except DomainError as error:
            raise CommandError(error.detail) from error
        self.stdout.write(f"client_id {made.client_id}\nclient_secret {made.client_secret}  (shown this once)")
