"""What a person proves to be themselves with, besides the password, and the links by which a password is chosen.

The computation of codes is django-otp's. Its tables are not used: they keep keys and recovery codes as they are, here
the key is sealed and of a code there is only a digest.
"""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from opticshop.core.models import Entity


class Invitation(Entity):
    """A link that lets a person choose a password, once. The link itself is not kept."""

    class Purpose(models.TextChoices):
        WELCOME = "welcome", "The first password"
        RESET = "reset", "A new password in place of a lost one"

    user = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="invitations")
    purpose = models.CharField(max_length=10, choices=Purpose.choices)
    token_digest = models.CharField(max_length=64, unique=True)
    expires_at = models.DateTimeField()
    used_at = models.DateTimeField(null=True)
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.SET_NULL, null=True, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["user"], condition=Q(used_at__isnull=True), name="accounts_one_open_invitation"
            ),
            models.CheckConstraint(
                condition=Q(purpose__in=["welcome", "reset"]), name="accounts_invitation_purpose_known"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.purpose} until {self.expires_at:%Y-%m-%d %H:%M}"


class SecondFactor(Entity):
    """A key that a person's phone shares with us for time-based codes (RFC 6238)."""

    user = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="second_factors")
    sealed_key = models.CharField(max_length=255)
    confirmed_at = models.DateTimeField(null=True, help_text="Since when codes are asked for: a first one was right")
    used_step = models.BigIntegerField(default=-1, help_text="Time step of the last code; earlier ones are refused")
    drift = models.SmallIntegerField(default=0, help_text="Time steps by which the phone's clock is known to be off")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["user"], condition=Q(confirmed_at__isnull=False), name="accounts_one_second_factor"
            ),
            models.UniqueConstraint(
                fields=["user"], condition=Q(confirmed_at__isnull=True), name="accounts_one_enrolment"
            ),
        ]

    def __str__(self) -> str:
        return f"second factor of {self.user_id}"


class RecoveryCode(Entity):
    """One of the codes to be kept on paper, for the day the phone is lost. Each opens once."""

    user = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="recovery_codes")
    secret_digest = models.CharField(max_length=64)
    used_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["user", "secret_digest"], name="accounts_recovery_code_once"),
        ]

    def __str__(self) -> str:
        return f"recovery code of {self.user_id}"
