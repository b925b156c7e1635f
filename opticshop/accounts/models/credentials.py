"""What people and services are signed in with: sign-ins, PINs of operators, service accounts. No secret in clear."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.contrib.sessions.base_session import AbstractBaseSession
from django.db import models

from opticshop.core import clock
from opticshop.core.models import Entity

from .people import Role, User


class SignIn(AbstractBaseSession, Entity):
    """One way in that stands open: a browser, an app, or an operator at a shared till. Ended, its row goes.

    Of a browser it is the session itself (``opticshop.accounts.session_store``); of an app it stands for the family of
    its refresh tokens; of an operator it goes with the access token.
    """

    class Way(models.TextChoices):
        BROWSER = "browser", "Browser"
        APP = "app", "App"
        TILL = "till", "Till"

    way = models.CharField(max_length=10, choices=Way.choices, default=Way.BROWSER)
    user = models.ForeignKey(
        User,
        on_delete=models.CASCADE,
        null=True,
        related_name="+",
        db_index=False,
        help_text="None before somebody has signed in",
    )
    session_key = models.CharField(  # type: ignore[assignment]
        max_length=64, unique=True, null=True, help_text="Digest of the key in the cookie"
    )
    session_data = models.TextField(blank=True)
    token_family = models.UUIDField(unique=True, null=True)
    access_token = models.OneToOneField(
        "oauth2_provider.AccessToken", on_delete=models.CASCADE, null=True, related_name="sign_in"
    )
    application = models.ForeignKey(
        "oauth2_provider.Application", on_delete=models.CASCADE, null=True, related_name="+", help_text="App or till"
    )
    branch = models.ForeignKey("branches.Branch", on_delete=models.CASCADE, null=True, related_name="+")
    address = models.GenericIPAddressField(null=True)
    device = models.CharField(max_length=200, blank=True, help_text="As the device calls itself")
    seen_at = models.DateTimeField(default=clock.now)
    confirmed_until = models.DateTimeField(null=True, help_text="Sensitive acts are open to an operator until then")
    confirmed_by_code = models.BooleanField(default=False, help_text="Confirmed with the second factor too")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=models.Q(way="browser", session_key__isnull=False)
                | models.Q(way="app", token_family__isnull=False, user__isnull=False, application__isnull=False)
                | models.Q(
                    way="till",
                    access_token__isnull=False,
                    user__isnull=False,
                    application__isnull=False,
                    branch__isnull=False,
                ),
                name="accounts_sign_in_is_of_its_way",
            ),
        ]
        indexes = [models.Index(fields=["user", "-id"], name="accounts_sign_in_of_user")]

    def __str__(self) -> str:
        return f"{self.user_id} by {self.way} since {self.created_at}"

    @classmethod
    def get_session_store_class(cls) -> Any:
        from ..session_store import SessionStore

        return SessionStore

    def is_confirmed(self) -> bool:
        return self.confirmed_until is not None and self.confirmed_until > clock.now()


class OperatorPin(Entity):
    """By what somebody takes over at a shared till. How often it was tried is counted in ``services.attempts``."""

    user = models.OneToOneField(User, on_delete=models.CASCADE, related_name="operator_pin")
    secret = models.CharField(max_length=255, help_text="Hashed as passwords are")

    def __str__(self) -> str:
        return f"PIN of {self.user_id}"


class ServiceAccount(Entity):
    """What a system of somebody else, or a shared till, may do, and until when. Its secret is kept hashed."""

    application = models.OneToOneField(
        "oauth2_provider.Application", on_delete=models.CASCADE, related_name="service_account"
    )
    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="+")
    name = models.CharField(max_length=100, unique=True)
    role = models.CharField(max_length=20, choices=Role.choices)
    scopes = models.JSONField(null=True, help_text="null: made before scopes were kept; any")
    expires_on = models.DateField(help_text="The last day on which it holds, UTC")
    used_at = models.DateTimeField(null=True, help_text="When it was last given a token")
    rotated_at = models.DateTimeField(default=clock.now, help_text="When its secret was made")
    previous_secret = models.CharField(max_length=255, blank=True)
    overlap_ends_at = models.DateTimeField(null=True, help_text="Until then the previous secret holds too")
    revoked_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=models.Q(previous_secret="") | models.Q(overlap_ends_at__isnull=False),
                name="accounts_previous_secret_ends",
            ),
            models.CheckConstraint(
                condition=models.Q(role__in=["counter", "workshop", "manager", "head_office", "bookkeeper"]),
                name="accounts_service_account_role_known",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def ends_at(self) -> dt.datetime:
        """The end of its last day."""
        return dt.datetime.combine(self.expires_on + dt.timedelta(days=1), dt.time(), dt.UTC)

    def holds(self) -> bool:
        return self.revoked_at is None and clock.now() < self.ends_at()
