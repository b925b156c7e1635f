"""Load the invented group into an empty database: branches, people, clients. Everything else goes in over HTTP.

``python -m fixtures_demo.load`` does it for the database of the present settings and prints how to sign in.
"""

from __future__ import annotations

import json
import secrets
from dataclasses import dataclass
from pathlib import Path
from typing import Any

DATA: dict[str, Any] = json.loads((Path(__file__).parent / "group.json").read_text(encoding="utf-8"))
REDIRECT = "http://127.0.0.1:8000/"


@dataclass(frozen=True, slots=True)
class Credentials:
    """What the story signs in with."""

    password: str
    staff_client_id: str
    services: dict[str, tuple[str, str]]


def load_group() -> Credentials:
    """Needs Django set up and migrated. Safe to run again: what is there is kept, secrets are made anew."""
    from oauth2_provider.models import Application

    from opticshop.accounts import services as accounts
    from opticshop.accounts.models import User
    from opticshop.branches.models import Branch
    from opticshop.branches.services import branch_open
    from opticshop.core.actor import system

    actor = system("demo data")
    branches = {}
    for row in DATA["branches"]:
        branch = Branch.objects.filter(code=row["code"]).first()
        branches[row["code"]] = branch or branch_open(actor=actor, **row)
    password = secrets.token_urlsafe(15)
    for row in DATA["people"]:
        user = User.objects.filter(username=row["username"]).first() or accounts.user_register(
            actor=actor,
            username=row["username"],
            password=None,
            display_name=row["display_name"],
            registration_number=row.get("registration_number", ""),
        )
        user.set_password(password)
        user.is_staff = row["role"] == "head_office"
        user.save()
        accounts.membership_grant(
            actor=actor, user=user, role=row["role"], branch=branches.get(row["branch"]) if row["branch"] else None
        )
    services = {}
    for name, role, code in (
        ("counter", "counter", "MILL"),
        ("workshop", "workshop", "MILL"),
        ("manager", "manager", "MILL"),
        ("quay-counter", "counter", "QUAY"),
        ("head-office", "head_office", None),
        ("bookkeeping", "bookkeeper", None),
    ):
        Application.objects.filter(name=f"demo-{name}").delete()
        made = accounts.service_client_register(
            actor=actor, name=f"demo-{name}", role=role, branch=branches[code] if code else None
        )
        services[name] = (made.client_id, made.client_secret)
    staff = accounts.staff_client_register(actor=actor, name="demo staff app", redirect_uris=[REDIRECT])
    return Credentials(password, staff, services)


def how_to_sign_in(credentials: Credentials, base: str) -> str:
    """Words for the terminal: the session pages, client credentials, authorization code with PKCE."""
    names = ", ".join(f"{row['username']} ({row['role']})" for row in DATA["people"])
    client_id, secret = credentials.services["counter"]
    return f"""How to sign in (invented accounts, fresh secrets at every run)
  In the browser   {base}/sign-in/ with the password {credentials.password}
                   as {names};
                   managers and head office set up a second factor at their first sign-in
  Integrators      OAuth2 client credentials, for instance the counter of MILL:
                   curl -u {client_id}:{secret} \\
                        -d 'grant_type=client_credentials&scope=customers:read orders:read' {base}/oauth/token/
  Staff apps       OAuth2 authorization code with PKCE: client id {credentials.staff_client_id},
                   redirect {REDIRECT}, authorize at {base}/oauth/authorize/"""


if __name__ == "__main__":
    import os

    import django

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "opticshop.config.settings.base")
    django.setup()
    print(how_to_sign_in(load_group(), "http://127.0.0.1:8000"))
