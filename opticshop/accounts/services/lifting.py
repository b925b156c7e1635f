"""Letting a person try again who was stopped, by their own mistakes or by strangers."""

from __future__ import annotations

from django.db import transaction

from opticshop.core.actor import Actor

from .. import events
from ..models import User
from .attempts import attempts_clear
from .roles import record, require_over


def attempts_lift(*, actor: Actor, user: User) -> None:
    """Every count of wrong passwords, codes and PINs of the person begins anew."""
    require_over(actor, user)
    with transaction.atomic():
        attempts_clear(user.username)
        record(events.ATTEMPTS_LIFTED, user, actor)
