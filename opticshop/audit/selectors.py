"""Reads of the audit trail, for whoever may view it everywhere: head office."""

from __future__ import annotations

import ipaddress
import uuid

from django.db.models import Exists, OuterRef, Prefetch, QuerySet

from opticshop.core.actor import ALL, Actor

from .models import AuditEntry, AuditRead, AuditReadSubject, AuditSeal
from .permissions import AuditPermission


def entries_visible_to(actor: Actor) -> QuerySet[AuditEntry]:
    """The trail spans the branches, so a permission that holds in some of them shows nothing."""
    entries = AuditEntry.objects.all()
    return entries if actor.where(AuditPermission.VIEW) is ALL else entries.none()


def reads_visible_to(actor: Actor) -> QuerySet[AuditRead]:
    if actor.where(AuditPermission.VIEW) is not ALL:
        return AuditRead.objects.none()
    return AuditRead.objects.prefetch_related(
        Prefetch("subjects", queryset=AuditReadSubject.objects.order_by("customer_id"))
    )


def reads_about(reads: QuerySet[AuditRead], customer_id: uuid.UUID) -> QuerySet[AuditRead]:
    return reads.filter(Exists(AuditReadSubject.objects.filter(read=OuterRef("pk"), customer_id=customer_id)))


def seals_visible_to(actor: Actor) -> QuerySet[AuditSeal]:
    seals = AuditSeal.objects.defer("leaves")
    return seals if actor.where(AuditPermission.VIEW) is ALL else seals.none()


def address_in(text: str) -> str | None:
    """The address in its one writing; None where it is none."""
    try:
        return str(ipaddress.ip_address(text.strip()))
    except ValueError:
        return None
