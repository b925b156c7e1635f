"""Reads of the charts: the newest points of one parameter, narrowed to one instrument, product, bench or person."""

from __future__ import annotations

import datetime as dt
import uuid
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from django.db import models

from opticshop.accounts.models import Membership, User
from opticshop.branches.models import Branch
from opticshop.catalogue.selectors import lens_get
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import NotFound
from opticshop.core.scoping import BranchQuerySet
from opticshop.instruments.selectors import instrument_get_for
from opticshop.workshop.selectors import benches_visible_to

from .charts_models import DeviationPoint, GaugeStudy
from .permissions import QualityPermission

#: Most points of one chart; the newest are taken.
MOST_POINTS = 5000


class By(models.TextChoices):
    INSTRUMENT = "instrument", "Instrument that measured"
    PRODUCT = "product", "Lens product"
    BENCH = "bench", "Bench"
    MADE_BY = "made_by", "Technician who edged"
    MEASURED_BY = "measured_by", "Person who measured"


@dataclass(frozen=True, slots=True)
class Narrowed:
    """Which points: ``by`` and ``key`` go together; days are whole, in the branch's zone, UTC without a branch."""

    parameter: str
    by: str | None = None
    key: uuid.UUID | None = None
    branch: Branch | None = None
    from_on: dt.date | None = None
    to_on: dt.date | None = None
    of: str | None = None
    eye: str | None = None

    def start_of(self, day: dt.date) -> dt.datetime:
        zone = ZoneInfo(self.branch.time_zone) if self.branch is not None else dt.UTC
        return dt.datetime.combine(day, dt.time.min, tzinfo=zone)

    def end_of(self, day: dt.date) -> dt.datetime:
        return self.start_of(day + dt.timedelta(days=1))


@dataclass(frozen=True, slots=True)
class Series:
    """Points in the order they were measured; ``cut`` says that older ones are left out."""

    points: list[DeviationPoint]
    cut: bool


def chart_series(actor: Actor, wanted: Narrowed, *, most: int = MOST_POINTS) -> Series:
    """The newest points, oldest first: one query of at most ``most`` rows over an index."""
    points = DeviationPoint.objects.visible_to(actor, QualityPermission.VIEW).filter(parameter=wanted.parameter)
    if wanted.by is not None:
        points = points.filter(**{f"{wanted.by}_id": wanted.key})
    if wanted.branch is not None:
        points = points.filter(branch=wanted.branch)
    if wanted.from_on is not None:
        points = points.filter(measured_at__gte=wanted.start_of(wanted.from_on))
    if wanted.to_on is not None:
        points = points.filter(measured_at__lt=wanted.end_of(wanted.to_on))
    if wanted.of is not None:
        points = points.filter(of=wanted.of)
    if wanted.eye is not None:
        points = points.filter(eye=wanted.eye)
    newest = list(points.select_related("job").order_by("-measured_at", "-id")[: most + 1])
    return Series(newest[:most][::-1], len(newest) > most)


def key_named(actor: Actor, by: str, key: uuid.UUID) -> str:
    """What a key is called. Raises NotFound for what is not there or not the actor's to see."""
    if by == By.INSTRUMENT:
        return str(instrument_get_for(actor, key))
    if by == By.PRODUCT:
        return str(lens_get(key))
    if by == By.BENCH:
        bench = benches_visible_to(actor).filter(id=key).first()
        if bench is None:
            raise NotFound(f"There is no bench {key} here.", field="key")
        return str(bench)
    return str(_colleague(actor, key))


def studies_visible_to(actor: Actor) -> BranchQuerySet[GaugeStudy]:
    found = GaugeStudy.objects.visible_to(actor, QualityPermission.VIEW)
    return found.select_related("instrument", "studied_by")


def _colleague(actor: Actor, key: uuid.UUID) -> User:
    where = actor.where(QualityPermission.VIEW)
    people = Membership.objects.filter(user_id=key).select_related("user")
    if where is not ALL:
        people = people.filter(branch_id__in=where)
    found = people.first()
    if found is None:
        raise NotFound(f"There is nobody with the id {key} here.", field="key")
    return found.user
