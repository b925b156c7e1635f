"""Making a run: compute the advice, then keep it whole."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

from django.db import transaction

from opticshop.branches.models import Branch
from opticshop.catalogue.models import LensProduct
from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid
from opticshop.stock.models import Lot

from .. import events
from ..advising import Advice, advise
from ..models import ReplenishmentLine, ReplenishmentRun
from ..parameters import METHOD, Parameters
from ..permissions import ReplenishmentPermission
from ..wording import Facts, explanation

#: Lines that one run may have; more is asked for in parts.
MOST_LINES = 10_000


class CurrenciesDiffer(Invalid):
    """A budget and its costs are in one currency, so the branches of one run keep their books in one."""

    code = "replenishment.currencies_differ"
    title = "These branches do not share a currency"


class NotKeptByPower(Invalid):
    """Only finished single vision lenses lie in drawers by power; others are ordered for one wearer."""

    code = "replenishment.not_kept_by_power"
    title = "This lens is not kept in stock"


class NothingKept(Conflict):
    """None of the branches has ever had a finished single vision lens in stock, so there is nothing to advise on."""

    code = "replenishment.nothing_kept"
    title = "No lens has ever been in stock here"


class TooManyPowers(Invalid):
    """One run advises on so many powers at so many branches at most; ask for fewer branches or lenses."""

    code = "replenishment.too_many_powers"
    title = "This is too much for one run"


def run_make(
    *,
    actor: Actor,
    branches: Sequence[Branch],
    parameters: Parameters,
    lenses: Sequence[LensProduct] = (),
    budget: Decimal | None = None,
) -> ReplenishmentRun:
    """Advise on every power of the lenses at the branches, and keep the advice.

    Without lenses, on all that the branches have ever had in stock. Raises CurrenciesDiffer, NotKeptByPower,
    NothingKept or TooManyPowers.
    """
    for branch in branches:
        actor.require(ReplenishmentPermission.RUN, branch.id)
    currency = branches[0].currency
    if any(branch.currency != currency for branch in branches):
        raise CurrenciesDiffer(
            f"They keep their books in {', '.join(sorted({branch.currency for branch in branches}))}.", field="branches"
        )
    kept = lenses_kept(branches, lenses)
    today = clock.today(branches[0].time_zone)
    found = advise(
        branches,
        group=list(Branch.objects.filter(is_active=True)),
        lenses=kept,
        parameters=parameters,
        currency=currency,
        budget=budget,
        today=today,
    )
    if len(found) > MOST_LINES:
        raise TooManyPowers(f"{len(found)} powers.", field="branches", allowed=f"at most {MOST_LINES} powers")
    bought = [advice.purchase for advice in found if advice.purchase]
    with transaction.atomic():
        run = ReplenishmentRun(
            advised_on=today,
            currency=currency,
            parameters=parameters.as_json(),
            method=METHOD,
            budget=budget,
            cost=sum((purchase.cost for purchase in bought), Decimal(0)),
            cost_without_budget=sum(
                (purchase.wanted * (purchase.cell.unit_cost or Decimal(0)) for purchase in bought), Decimal(0)
            ),
            pieces_to_buy=sum(purchase.quantity for purchase in bought),
            pieces_to_transfer=sum(advice.transfer.quantity for advice in found if advice.transfer),
            by_id=actor.id,
            by_label=actor.label,
        )
        run.save(force_insert=True)
        run.branches.set(branches)
        run.lenses.set(kept)
        codes = {branch.id: branch.code for branch in branches}
        ReplenishmentLine.objects.bulk_create(
            [_row(run, advice, parameters, codes) for advice in found], batch_size=500
        )
        outbox.record(
            event_type=events.RUN_FINISHED,
            subject=f"replenishment/runs/{run.id}",
            actor=actor,
            branch_id=branches[0].id if len(branches) == 1 else None,
            data={"run": str(run.id), "branches": [str(branch.id) for branch in branches]},
        )
    return run


def lenses_kept(branches: Sequence[Branch], wanted: Sequence[LensProduct]) -> list[LensProduct]:
    """The lenses to look at, checked; without any wanted, all that ever lay in these branches. Raises NothingKept."""
    for lens in wanted:
        if lens.kind != LensProduct.Kind.SINGLE_VISION or lens.supply != LensProduct.Supply.FINISHED:
            raise NotKeptByPower(f"{lens} is no finished single vision lens.", field="lenses")
    lots = Lot.objects.everywhere("for the use case of these branches, checked there").filter(branch__in=branches)
    lenses = LensProduct.objects.filter(
        id__in=lots.filter(item__lens__isnull=False).values("item__lens"),
        kind=LensProduct.Kind.SINGLE_VISION,
        supply=LensProduct.Supply.FINISHED,
    ).order_by("sku")
    if wanted:
        lenses = lenses.filter(id__in=[lens.id for lens in wanted])
    found = list(lenses)
    if not found:
        raise NothingKept(field="lenses" if wanted else "branches")
    return found


def _row(run: ReplenishmentRun, advice: Advice, parameters: Parameters, codes: Mapping[Any, str]) -> ReplenishmentLine:
    model, levels, position, supply = advice.model, advice.levels, advice.position, advice.supply
    transfer, purchase = advice.transfer, advice.purchase
    sent = transfer.quantity if transfer else 0
    wanted, bought = (purchase.wanted, purchase.quantity) if purchase else (0, 0)
    lens = advice.item.lens
    assert lens is not None
    facts = Facts(
        what=f"{lens.name} {advice.item.sphere_dpt:+.2f} / {advice.item.cylinder_dpt:+.2f}",
        branch=advice.branch.code,
        parameters=parameters,
        model=model,
        levels=levels,
        pieces_used=advice.pieces_used,
        weeks=advice.weeks,
        lead_days=advice.lead_days,
        available=position.available,
        coming=position.on_order + position.in_transit + position.drafted_in,
        leaving=position.drafted_out,
        position=position.total,
        currency=run.currency,
        supplier=supply.supplier.name if supply else "",
        unit_cost=supply.unit_cost if supply else None,
        pack=supply.pack if supply else 1,
        sender=codes[transfer.origin] if transfer else "",
        sent=sent,
        wanted=wanted,
        bought=bought,
    )
    return ReplenishmentLine(
        run=run,
        branch=advice.branch,
        item=advice.item,
        abc_class=advice.abc_class,
        on_hand=position.on_hand,
        available=position.available,
        on_order=position.on_order,
        in_transit=position.in_transit,
        drafted=position.drafted,
        position=position.total,
        pieces_used=advice.pieces_used,
        weeks=advice.weeks,
        weekly_mean=model.mean_per_week,
        mean_error=model.mean_error,
        dispersion=model.dispersion,
        borrowed=model.borrowed,
        family=model.family,
        lead_days=advice.lead_days,
        reorder_point=levels.reorder_point,
        order_up_to=levels.order_up_to,
        cycle_service=levels.cycle_service,
        fill_rate=levels.fill_rate,
        pack_size=supply.pack if supply else 1,
        unit_cost=supply.unit_cost if supply else None,
        supplier=supply.supplier if supply else None,
        transfer_from_id=transfer.origin if transfer else None,
        transfer_quantity=sent,
        wanted_quantity=wanted,
        buy_quantity=bought,
        cost=purchase.cost if purchase else Decimal(0),
        explanation=explanation(facts),
    )
