"""The first branch and the first head-office account of a new installation."""

from __future__ import annotations

import getpass
from typing import Any

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import transaction

from opticshop.accounts import services
from opticshop.accounts.models import Role, User
from opticshop.accounts.passwords import RULES
from opticshop.branches.models import Branch
from opticshop.branches.services import branch_open
from opticshop.core.actor import system
from opticshop.core.errors import DomainError


class Command(BaseCommand):
    help = "Open the first branch and make a head-office account that may do the rest over the API and in /admin/."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--branch", required=True, help="Code of the branch, for instance MILL")
        parser.add_argument("--name", required=True, help="Its name")
        parser.add_argument("--time-zone", default="Europe/London")
        parser.add_argument("--currency", default="GBP")
        parser.add_argument("--jurisdiction", default="GB")
        parser.add_argument("--username", required=True, help="Head-office account")
        parser.add_argument("--password", help="Asked for when left out, so that no shell remembers it")

    def handle(self, *args: Any, **options: Any) -> None:
        if Branch.objects.exists():
            raise CommandError("There is a branch already; go on over the API or in /admin/.")
        actor = system("first steps")
        try:
            password = options["password"] or self._asked()
            validate_password(password, User(username=options["username"]))
            with transaction.atomic():
                branch = branch_open(
                    actor=actor,
                    code=options["branch"],
                    name=options["name"],
                    time_zone=options["time_zone"],
                    currency=options["currency"],
                    jurisdiction=options["jurisdiction"],
                )
                user = services.user_register(
                    actor=actor, username=options["username"], password=password, display_name=options["username"]
                )
                User.objects.filter(id=user.id).update(is_staff=True, is_superuser=True)
                services.membership_grant(actor=actor, user=user, role=Role.HEAD_OFFICE, branch=None)
        except (DomainError, ValidationError) as error:
            raise CommandError("; ".join(getattr(error, "messages", [str(error)]))) from error
        self.stdout.write(
            f"Branch {branch.code} is open; {user.username} may sign in at /sign-in/. "
            "The first time leads to the second factor: have a phone with an authenticator app at hand."
        )

    def _asked(self) -> str:
        """Typed twice, since nobody sees it; what is asked of it is said first."""
        self.stdout.write("A password for it:\n" + "\n".join(f"- {rule}" for rule in RULES))
        password = getpass.getpass("Password: ")
        if getpass.getpass("Once more: ") != password:
            raise CommandError("The two were not the same; nothing was done.")
        return password
