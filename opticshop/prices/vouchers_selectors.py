"""Reads of scheme values, vouchers and claims, limited to the branches in which the actor may see prices."""

from __future__ import annotations

import datetime as dt
import uuid

from django.db.models import QuerySet

from opticshop.core.actor import Actor
from opticshop.core.errors import NotFound
from opticshop.core.scoping import BranchQuerySet

from .permissions import PricePermission
from .vouchers_models import ClaimAdjustment, SchemeClaim, SchemeValue, SchemeVoucher


def scheme_values_visible_to(actor: Actor) -> QuerySet[SchemeValue]:
    """The values belong to no branch: whoever sees prices anywhere sees them all, withdrawn ones too."""
    return SchemeValue.objects.all() if actor.may(PricePermission.VIEW) else SchemeValue.objects.none()


def values_in_force(queryset: QuerySet[SchemeValue], day: dt.date) -> QuerySet[SchemeValue]:
    """Those whose days hold the day; where several of one code do, the latest first day counts."""
    standing = queryset.filter(withdrawn_at__isnull=True, valid_from__lte=day)
    return standing.exclude(valid_to__lt=day)


def vouchers_visible_to(actor: Actor) -> BranchQuerySet[SchemeVoucher]:
    """Whoever grants or claims sees them, and nobody else: that somebody has one tells of their means."""
    return SchemeVoucher.objects.visible_to(actor, PricePermission.VIEW_VOUCHERS)


def voucher_get_for(actor: Actor, voucher_id: uuid.UUID, *, permission: str = PricePermission.GRANT) -> SchemeVoucher:
    """The voucher, if the actor holds the permission in its branch; otherwise NotFound, whatever the reason."""
    found = SchemeVoucher.objects.visible_to(actor, permission).filter(id=voucher_id).first()
    if found is None:
        raise NotFound(f"There is no voucher {voucher_id} here.", field="voucher")
    return found


def claims_visible_to(actor: Actor) -> BranchQuerySet[SchemeClaim]:
    return SchemeClaim.objects.visible_to(actor, PricePermission.VIEW)


def adjustments_visible_to(actor: Actor) -> BranchQuerySet[ClaimAdjustment]:
    return ClaimAdjustment.objects.visible_to(actor, PricePermission.VIEW)
