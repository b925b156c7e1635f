"""The lens finder: every way to have a lens for an eye, best first, each with the reasons for its place.

Read-only. What is asked of the database does not grow with the number of products, branches or suppliers.
"""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from django.db.models import F, Q, Sum

from opticshop.branches.calendars import Calendar, calendar_of
from opticshop.branches.models import Branch
from opticshop.catalogue.models import Frame, LensProduct
from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.errors import DomainError
from opticshop.optics import OpticsError
from opticshop.orders.computing import Purpose, compute
from opticshop.prescriptions.models import Measurement, Prescription
from opticshop.stock.powers import minus_form
from opticshop.stock.selectors import lots_visible_to

from .selectors.suppliers import USUAL_TRAVEL_DAYS, Source, sources_by_article, travel_days_to

HERE, BRANCH, SUPPLIER = "here", "branch", "supplier"
Power = tuple[Decimal, Decimal]


@dataclass(frozen=True, slots=True)
class CutOutVerdict:
    """Whether the blank holds the frame's outline at its centration. Lengths in mm, None where nothing was judged."""

    is_judged: bool = False
    cuts_out: bool | None = None
    clearance_mm: float | None = None
    minimum_blank_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Fit:
    """What one product would be for one eye: the power it is supplied in, or why it is not."""

    product: LensProduct
    sphere_dpt: Decimal
    cylinder_dpt: Decimal
    axis_deg: int | None
    addition_dpt: Decimal | None
    cut_out: CutOutVerdict
    notes: tuple[str, ...] = ()

    @property
    def power(self) -> Power:
        return self.sphere_dpt, self.cylinder_dpt


@dataclass(frozen=True, slots=True)
class Option:
    """One way to have the lens, with the day on which the pair could be promised."""

    place: str
    fit: Fit
    promised_on: dt.date
    is_wanted_product: bool
    is_transposed: bool
    available: int | None = None
    branch: Branch | None = None
    travel_days: int | None = None
    source: Source | None = None
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Rejected:
    """A product that was considered and cannot be used."""

    product: LensProduct
    reason: str


@dataclass(slots=True)
class EyeAnswer:
    eye: str
    options: list[Option] = field(default_factory=list)
    rejected: list[Rejected] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class ForWearer:
    """What is asked for a person: the eyes of a prescription with measurements and a frame."""

    prescription: Prescription
    measurement: Measurement
    frame: Frame
    eyes: Sequence[str]
    purpose: Purpose = "distance"

    def fit(self, eye: str, product: LensProduct) -> Fit | Rejected:
        """Computed as an order would be, so that what is found here is what an order would reserve."""
        try:
            computed = compute(
                prescription=self.prescription,
                measurement=self.measurement,
                frame=self.frame,
                lenses={eye: product},
                purpose=self.purpose,
            )
        except (DomainError, OpticsError) as error:
            return Rejected(product, getattr(error, "detail", None) or str(error))
        lens = computed.lenses[eye]
        row, record = lens.supplied, lens.record
        verdict = CutOutVerdict(True, record["cuts_out"], record["clearance_mm"], record["minimum_blank_exact_mm"])
        if not record["cuts_out"]:
            return Rejected(
                product,
                f"It does not cut out: a blank of {record['minimum_blank_exact_mm']} mm is needed, this one has "
                f"{record['blank_diameter_mm']} mm.",
            )
        written = f"{row['sphere_dpt']:+.2f}/{row['cylinder_dpt']:+.2f}"
        exact = f"{record['sphere_dpt']:+.2f}/{record['cylinder_dpt']:+.2f}"
        notes = () if written == exact else (f"Nearest it is made in: {written} for a computed {exact}.",)
        return Fit(
            product,
            row["sphere_dpt"],
            row["cylinder_dpt"],
            row["axis_deg"],
            row["addition_dpt"],
            verdict,
            (*notes, f"Cuts out with {record['clearance_mm']} mm to spare."),
        )

    def is_transposed(self, eye: str) -> bool:
        """Whether the prescription writes the eye with a plus cylinder."""
        return any(row.eye == eye and (row.cylinder_dpt or 0) > 0 for row in self.prescription.eyes.all())


@dataclass(frozen=True, slots=True)
class ForPower:
    """A bare power in any cylinder form; ``diameter_mm`` is the least usable diameter, when it is known."""

    sphere_dpt: Decimal
    cylinder_dpt: Decimal = Decimal(0)
    axis_deg: int | None = None
    addition_dpt: Decimal | None = None
    diameter_mm: Decimal | None = None
    eyes: Sequence[str] = ("either",)

    def fit(self, eye: str, product: LensProduct) -> Fit | Rejected:
        sphere, cylinder = minus_form(self.sphere_dpt, self.cylinder_dpt)
        wrong = _not_made(product, sphere, cylinder, self.addition_dpt)
        if wrong:
            return Rejected(product, wrong)
        verdict = CutOutVerdict()
        if self.diameter_mm is not None:
            spare = product.usable_diameter_mm - self.diameter_mm
            if spare < 0:
                return Rejected(product, f"{product.usable_diameter_mm} mm is less than {self.diameter_mm} mm.")
            verdict = CutOutVerdict(True, True, float(spare / 2), float(self.diameter_mm))
        axis = self.axis_deg
        if axis is not None and self.cylinder_dpt > 0:
            axis = (axis + 90 - 1) % 180 + 1
        return Fit(product, sphere, cylinder, axis if cylinder else None, self.addition_dpt, verdict)

    def is_transposed(self, eye: str) -> bool:
        return self.cylinder_dpt > 0


def lenses_found(
    *,
    actor: Actor,
    branch: Branch,
    asked: ForWearer | ForPower,
    wanted: LensProduct | None = None,
    kind: str = LensProduct.Kind.SINGLE_VISION,
) -> list[EyeAnswer]:
    """Per eye, every way to have a lens, best first, and the products that cannot be used with their reasons.

    ``wanted`` is the product the customer chose: the same product comes first among equals, and only its kind is looked
    for. First what can be promised soonest; then the wanted product; then the lower price; then the smaller blank.
    Other branches are named as far as the actor sees their stock.
    """
    products = _products(wanted, kind)
    answers = [EyeAnswer(eye) for eye in asked.eyes]
    fits: dict[str, list[Fit]] = {}
    for answer in answers:
        tried = [asked.fit(answer.eye, product) for product in products]
        fits[answer.eye] = [fit for fit in tried if isinstance(fit, Fit)]
        answer.rejected = [fit for fit in tried if isinstance(fit, Rejected)]
    every = [fit for found in fits.values() for fit in found]
    stock = _stock(actor, every)
    today = clock.today(branch.time_zone)
    suppliers = sources_by_article({fit.product for fit in every}, day=today)
    look = _Look(branch, calendar_of(branch), today, asked, wanted, stock, suppliers, travel_days_to(branch.id))
    taken: dict[tuple[uuid.UUID, Power], int] = {}
    for answer in answers:
        for fit in fits[answer.eye]:
            key = (fit.product.id, fit.power)
            answer.options += look.options(answer.eye, fit, taken.get(key, 0))
            taken[key] = taken.get(key, 0) + 1
        answer.options.sort(key=_rank)
    return answers


@dataclass(frozen=True, slots=True)
class _Look:
    """Everything that was fetched, and how one fit becomes options."""

    branch: Branch
    calendar: Calendar
    today: dt.date
    asked: ForWearer | ForPower
    wanted: LensProduct | None
    stock: Mapping[tuple[uuid.UUID, Power], list[tuple[Branch, int]]]
    suppliers: Mapping[uuid.UUID, list[Source]]
    travel: Mapping[uuid.UUID, int]

    def options(self, eye: str, fit: Fit, taken: int) -> Iterable[Option]:
        """``taken`` pieces are left for the other eye, which needs the same lens."""
        common: dict[str, Any] = {
            "fit": fit,
            "is_wanted_product": self.wanted is not None and fit.product.id == self.wanted.id,
            "is_transposed": self.asked.is_transposed(eye) and fit.cylinder_dpt != 0,
        }
        why = self._common_reasons(common, taken)
        for branch, pieces in self.stock.get((fit.product.id, fit.power), ()):
            free = pieces - taken
            if free < 1:
                continue
            if branch.id == self.branch.id:
                yield Option(
                    HERE,
                    promised_on=self._day(0),
                    available=free,
                    branch=branch,
                    reasons=(f"In stock here: {free}.", *why),
                    **common,
                )
                continue
            days = self.travel.get(branch.id, USUAL_TRAVEL_DAYS)
            yield Option(
                BRANCH,
                promised_on=self._day(days),
                available=free,
                branch=branch,
                travel_days=days,
                reasons=(f"In stock at {branch.name}: {free}; {days} working days away.", *why),
                **common,
            )
        for source in self.suppliers.get(fit.product.id, ()):
            source = source.for_power(fit.power)
            price = source.price
            cost = f"at {price.unit_cost} {price.currency}" if price else "at a price that is not known"
            preferred = "; the preferred supplier" if source.offer.is_preferred else ""
            yield Option(
                SUPPLIER,
                promised_on=self._day(source.lead_days),
                source=source,
                reasons=(f"From {source.supplier} in {source.lead_days} working days {cost}{preferred}.", *why),
                **common,
            )

    def _common_reasons(self, common: Mapping[str, Any], taken: int) -> tuple[str, ...]:
        fit: Fit = common["fit"]
        why = list(fit.notes)
        if common["is_transposed"]:
            why.append(
                f"The same power written the other way: {fit.sphere_dpt:+.2f}/{fit.cylinder_dpt:+.2f} in "
                "minus-cylinder form is how it lies in the drawer."
            )
        if self.wanted is not None and not common["is_wanted_product"]:
            other = fit.product
            differs = (
                "the same material in another diameter"
                if (other.material, other.index, other.coating)
                == (self.wanted.material, self.wanted.index, self.wanted.coating)
                else "another product"
            )
            why.append(f"Instead of {self.wanted.name}: {differs}, {other.usable_diameter_mm} mm usable.")
        if taken:
            why.append("Counted without the piece for the other eye.")
        return tuple(why)

    def _day(self, days: int) -> dt.date:
        return self.calendar.open_days_after(self.today, self.branch.turnaround_days + days)


def _products(wanted: LensProduct | None, kind: str) -> list[LensProduct]:
    products = LensProduct.objects.filter(is_active=True, kind=wanted.kind if wanted else kind)
    return list(products.prefetch_related("surfaces").order_by("sku"))


def _stock(actor: Actor, fits: Iterable[Fit]) -> dict[tuple[uuid.UUID, Power], list[tuple[Branch, int]]]:
    """(product, power) -> branches with unpromised pieces, as far as the actor sees their stock. Two queries."""
    wanted = {
        (fit.product.id, fit.power)
        for fit in fits
        if fit.product.supply == LensProduct.Supply.FINISHED and fit.product.kind == LensProduct.Kind.SINGLE_VISION
    }
    if not wanted:
        return {}
    powers = Q(pk__in=[])
    for sphere, cylinder in {power for _, power in wanted}:
        powers |= Q(item__sphere_dpt=sphere, item__cylinder_dpt=cylinder)
    lots: Any = lots_visible_to(actor).filter(
        powers, item__lens__in={product for product, _ in wanted}, is_quarantined=False, branch__is_active=True
    )
    sums = (
        lots.order_by()
        .values("branch", "item__lens", "item__sphere_dpt", "item__cylinder_dpt")
        .annotate(free=Sum(F("on_hand") - F("reserved")))
        .filter(free__gt=0)
    )
    found = list(sums)
    branches = Branch.objects.in_bulk({row["branch"] for row in found})
    held: dict[tuple[uuid.UUID, Power], list[tuple[Branch, int]]] = {}
    for row in found:
        key = (row["item__lens"], (row["item__sphere_dpt"], row["item__cylinder_dpt"]))
        if key in wanted:
            held.setdefault(key, []).append((branches[row["branch"]], row["free"]))
    return held


def _not_made(product: LensProduct, sphere: Decimal, cylinder: Decimal, addition: Decimal | None) -> str:
    """Why a product is not made in a power (minus-cylinder form); empty when it is."""
    step = product.power_step_dpt
    if not product.sphere_min_dpt <= sphere <= product.sphere_max_dpt or -cylinder > product.cylinder_max_dpt:
        return (
            f"It is made from {product.sphere_min_dpt:+} to {product.sphere_max_dpt:+} D with cylinders to "
            f"-{product.cylinder_max_dpt} D."
        )
    if sphere % step or cylinder % step:
        return f"It is made in steps of {step} D."
    if product.kind != LensProduct.Kind.SINGLE_VISION:
        low, high = product.addition_min_dpt, product.addition_max_dpt
        if addition is None or (low is not None and addition < low) or (high is not None and addition > high):
            return f"It is made with additions {low} to {high} D."
    return ""


def _rank(option: Option) -> tuple[Any, ...]:
    price = option.source.price.unit_cost if option.source and option.source.price else Decimal(0)
    nearness = (HERE, BRANCH, SUPPLIER).index(option.place)
    return (
        option.promised_on,
        nearness,
        not option.is_wanted_product,
        option.fit.product.price,
        option.fit.product.diameter_mm,
        price,
        option.fit.product.sku,
    )
