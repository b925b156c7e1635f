"""Reads of promotions and their uses, limited to the branches in which the actor may see prices."""

from __future__ import annotations

from decimal import Decimal

from django.db.models import Q, QuerySet

from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import NotFound
from opticshop.core.scoping import BranchQuerySet
from opticshop.core.sums import MoneySum

from .permissions import PricePermission
from .promotions_models import Promotion, PromotionUse


def promotions_visible_to(actor: Actor, permission: str = PricePermission.VIEW) -> QuerySet[Promotion]:
    """Those of the actor's branches, and those of the group for everybody who sees prices anywhere."""
    where = actor.where(permission)
    if where is ALL:
        return Promotion.objects.all()
    if not where:
        return Promotion.objects.none()
    return Promotion.objects.filter(Q(branch__isnull=True) | Q(branch__in=where))


def promotion_by_code(actor: Actor, code: str) -> Promotion:
    """The promotion with this code, however it is spelled, if the actor may see it. Raises NotFound."""
    found = promotions_visible_to(actor).filter(code=code.strip().upper()).first()
    if found is None:
        raise NotFound(f"There is no promotion {code.strip()!r} here.", field="promotion_code")
    return found


def promotion_uses_visible_to(actor: Actor) -> BranchQuerySet[PromotionUse]:
    return PromotionUse.objects.visible_to(actor, PricePermission.VIEW).select_related("promotion")


def uses_standing(document: str) -> BranchQuerySet[PromotionUse]:
    """The uses that reduce the price of one document now."""
    standing = PromotionUse.objects.everywhere("of a document the caller works on")
    return standing.filter(document=document, state=PromotionUse.State.USED)


def taken_off(document: str) -> Decimal:
    """What promotions take off the price of a document."""
    return uses_standing(document).aggregate(sum=MoneySum("amount"))["sum"] or Decimal(0)
