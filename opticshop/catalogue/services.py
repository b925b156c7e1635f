"""Writes of the catalogue: adding and changing frames, lenses and services, and adding tax rates. Head office only."""

from __future__ import annotations

import copy
import datetime as dt
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any, Generic, TypeVar

from django.db import IntegrityError, transaction
from django.db.models import F, QuerySet

from opticshop.core import outbox
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import Conflict, Forbidden, Invalid, VersionMismatch
from opticshop.core.money import minor_unit, rounded

from . import events
from .geometry import frame_questions, lens_questions, surfaces_from
from .gtin import gtin_normalised, is_restricted
from .models import Frame, LensProduct, LensSurface, Sellable, ServiceItem, TaxCategory, TaxRate
from .permissions import CataloguePermission
from .plausibility import Question

A = TypeVar("A", bound=Sellable)
_RESOURCES = {"frame": "frames", "lens": "lenses", "service": "services", "tax_rate": "tax-rates"}


class SkuTaken(Conflict):
    """Another article of this kind has the stock-keeping code."""

    code = "catalogue.sku_taken"
    title = "Another article has this code"


class GtinTaken(Conflict):
    """Another frame or lens has this trade item number."""

    code = "catalogue.gtin_taken"
    title = "Another article has this trade item number"


class DispensingTaken(Conflict):
    """Only one active service can be the dispensing that every pair of spectacles is charged."""

    code = "catalogue.dispensing_taken"
    title = "Another active service is already the dispensing"


class PriceNotPayable(Invalid):
    """The price is negative or has more decimals than the currency has coins."""

    code = "catalogue.price_not_payable"
    title = "Nobody can pay this price"


class TaxRateTaken(Conflict):
    """A rate of this category for this jurisdiction begins on the same day already; give another day."""

    code = "catalogue.tax_rate_taken"
    title = "There is already a rate from this day"


class TaxFreeIsZero(Invalid):
    """A zero-rated or exempt supply bears no tax."""

    code = "catalogue.tax_free_is_zero"
    title = "This category bears no tax"


@dataclass(frozen=True, slots=True)
class Catalogued(Generic[A]):
    """An article as written, and what about it should be looked at again."""

    article: A
    questions: list[Question] = field(default_factory=list)


def frame_add(*, actor: Actor, **values: Any) -> Catalogued[Frame]:
    """Add a frame; ``values`` are columns of Frame."""
    return _add(actor, Frame(**values), events.FRAME_ADDED)


def frame_change(*, actor: Actor, frame: Frame, version: int, changes: Mapping[str, Any]) -> Catalogued[Frame]:
    return _change(actor, frame, version, changes, events.FRAME_CHANGED)


def lens_add(*, actor: Actor, surfaces: list[dict[str, Any]], **values: Any) -> Catalogued[LensProduct]:
    """Add a lens product with its surfaces, which must cover its range of spheres exactly once."""
    return _add(actor, LensProduct(**values), events.LENS_ADDED, surfaces_from(surfaces))


def lens_change(
    *, actor: Actor, lens: LensProduct, version: int, changes: Mapping[str, Any]
) -> Catalogued[LensProduct]:
    """Change a lens product; ``surfaces``, when given, replace all that it had."""
    columns = dict(changes)
    given = columns.pop("surfaces", None)
    surfaces = list(lens.surfaces.all()) if given is None else surfaces_from(given)
    return _change(actor, lens, version, columns, events.LENS_CHANGED, surfaces, replace=given is not None)


def service_add(*, actor: Actor, **values: Any) -> Catalogued[ServiceItem]:
    return _add(actor, ServiceItem(**values), events.SERVICE_ADDED)


def service_change(
    *, actor: Actor, service: ServiceItem, version: int, changes: Mapping[str, Any]
) -> Catalogued[ServiceItem]:
    return _change(actor, service, version, changes, events.SERVICE_CHANGED)


def tax_rate_add(
    *,
    actor: Actor,
    jurisdiction: str,
    category: str,
    percent: Decimal,
    valid_from: dt.date,
    source: str,
    confidence: str,
) -> TaxRate:
    """Add the rate of a category from a day on. Rates are never changed: a new one from a later day follows."""
    _require_group(actor)
    if category in {TaxCategory.ZERO, TaxCategory.EXEMPT} and percent:
        raise TaxFreeIsZero(f"A supply that is {category} bears 0 percent.", field="percent", allowed="0")
    rate = TaxRate(
        jurisdiction=jurisdiction,
        category=category,
        percent=percent,
        valid_from=valid_from,
        source=source,
        confidence=confidence,
    )
    with transaction.atomic():
        try:
            with transaction.atomic():
                rate.save(force_insert=True)
        except IntegrityError as error:
            raise TaxRateTaken(
                f"{jurisdiction} already has a {category} rate from {valid_from}.", field="valid_from"
            ) from error
        _record(actor, events.TAX_RATE_ADDED, "tax_rate", rate.id)
    return rate


def _add(actor: Actor, article: A, event: str, surfaces: list[LensSurface] | None = None) -> Catalogued[A]:
    _require_group(actor)
    questions = _checked(article, surfaces)
    with transaction.atomic():
        try:
            with transaction.atomic():
                article.save(force_insert=True)
        except IntegrityError as error:
            _explain(article, error)
        _keep_surfaces(article, surfaces or [])
        _record(actor, event, _noun(event), article.id)
    return Catalogued(article, questions)


def _change(
    actor: Actor,
    article: A,
    version: int,
    changes: Mapping[str, Any],
    event: str,
    surfaces: list[LensSurface] | None = None,
    *,
    replace: bool = False,
) -> Catalogued[A]:
    """Write the changes if they leave the article sound and nobody wrote since ``version``."""
    _require_group(actor)
    changed = copy.copy(article)
    for name, value in changes.items():
        setattr(changed, name, value)
    questions = _checked(changed, surfaces)
    columns = {name: getattr(changed, name) for name in changes}
    with transaction.atomic():
        row = _rows(type(article)).filter(id=article.id, version=version)
        try:
            with transaction.atomic():
                written = row.update(version=F("version") + 1, **columns)
        except IntegrityError as error:
            _explain(changed, error)
        if not written:
            raise VersionMismatch(field="If-Match")
        if replace:
            _keep_surfaces(article, surfaces or [])
        fields = sorted([*changes, "surfaces"] if replace else changes)
        _record(actor, event, _noun(event), article.id, fields=fields)
    return Catalogued(_rows(type(article)).get(id=article.id), questions)


def _checked(article: Sellable, surfaces: list[LensSurface] | None) -> list[Question]:
    """Normalises the trade item number in place; raises for what cannot be, returns what should be asked."""
    if article.price < 0 or rounded(article.price, article.currency) != article.price:
        unit = minor_unit(article.currency)
        raise PriceNotPayable(
            f"{article.price} {article.currency} is no price.", field="price", allowed=f"0 or more in steps of {unit}"
        )
    questions: list[Question] = []
    if isinstance(article, Frame | LensProduct):
        article.gtin = gtin_normalised(article.gtin)
        other = LensProduct if isinstance(article, Frame) else Frame
        if article.gtin and other.objects.filter(gtin=article.gtin).exists():
            raise GtinTaken(f"{article.gtin} is the number of another article.", field="gtin")
        if is_restricted(article.gtin):
            detail = "This number is for use inside one company; it is no trade item number for others."
            questions.append(Question("catalogue.gtin_restricted", "gtin", detail))
    if isinstance(article, Frame):
        questions += frame_questions(article)
    if isinstance(article, LensProduct):
        questions += lens_questions(article, surfaces or [])
    return questions


def _explain(article: Sellable, error: IntegrityError) -> None:
    """Raise what the unique constraint means; the error itself when no row explains it."""
    others: QuerySet[Any] = _rows(type(article)).exclude(id=article.id)
    gtin = getattr(article, "gtin", "")
    if gtin and others.filter(gtin=gtin).exists():
        raise GtinTaken(f"{gtin} is the number of another article.", field="gtin") from error
    if others.filter(sku=article.sku).exists():
        raise SkuTaken(f"{article.sku} is the code of another article.", field="sku") from error
    if getattr(article, "is_dispensing", False) and others.filter(is_dispensing=True, is_active=True).exists():
        raise DispensingTaken(field="is_dispensing", allowed="retire the other service first") from error
    raise error


def _keep_surfaces(article: Sellable, surfaces: list[LensSurface]) -> None:
    if not isinstance(article, LensProduct):
        return
    LensSurface.objects.filter(product=article).delete()
    for surface in surfaces:
        surface.product = article
    LensSurface.objects.bulk_create(surfaces)


def _require_group(actor: Actor) -> None:
    """The catalogue is the same in every branch, so a permission in one of them is not enough to change it."""
    if actor.where(CataloguePermission.EDIT) is not ALL:
        raise Forbidden("The catalogue is kept by head office.", permission=str(CataloguePermission.EDIT))


def _rows(kind: type[A]) -> QuerySet[A]:
    """The table of an article; typed, which the manager of an abstract model is not."""
    return QuerySet(kind)


def _noun(event: str) -> str:
    return event.removeprefix("catalogue.").rsplit("_", 1)[0]


def _record(actor: Actor, event: str, noun: str, key: uuid.UUID, **more: Any) -> None:
    outbox.record(
        event_type=event,
        subject=f"{_RESOURCES[noun]}/{key}",
        actor=actor,
        branch_id=None,
        data={noun: str(key), **more},
    )
