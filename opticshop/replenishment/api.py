from __future__ import annotations

from typing import Any

import django_filters
from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.branches.selectors import branch_get_for
from opticshop.catalogue.selectors import lens_get
from opticshop.core.api import ApiViewSet, Lists, ResourceViewSet
from opticshop.core.filters import YesNoFilter
from opticshop.stock.models import StockItem
from opticshop.stock.powers import minus_form

from . import selectors, services
from .models import ReplenishmentLine, ReplenishmentRun
from .permissions import ReplenishmentPermission
from .serializers import (
    AcceptedOut,
    AcceptIn,
    ClassesOut,
    ClassesQueryIn,
    DeadStockOut,
    LevelsIn,
    LevelsOut,
    PolicyIn,
    ReplenishmentLineOut,
    ReplenishmentRunOut,
    RunIn,
    SimulationIn,
    SimulationOut,
)

VIEW, RUN = ReplenishmentPermission.VIEW, ReplenishmentPermission.RUN


class RunFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branches", label="Runs that looked at this branch")
    advised_from = django_filters.DateFilter(field_name="advised_on", lookup_expr="gte")
    advised_to = django_filters.DateFilter(field_name="advised_on", lookup_expr="lte")

    class Meta:
        model = ReplenishmentRun
        fields: list[str] = []


class RunViewSet(ResourceViewSet):
    """Advice on what to keep, send and buy, kept as it was given. Its lines are at `replenishment/lines/?run=`."""

    tag, noun = "Replenishment", "replenishment run"
    selector = staticmethod(selectors.runs_visible_to)
    filterset_class = RunFilter
    permissions = {"list": VIEW, "retrieve": VIEW, "create": RUN, "accept": RUN, "levels": RUN}
    inputs = {"create": RunIn, "accept": AcceptIn, "levels": LevelsIn}
    outputs = {"accept": AcceptedOut, "levels": LevelsOut}
    output = ReplenishmentRunOut
    idempotent = {"create": "optional", "accept": "optional"}
    summaries = {
        "list": "List runs; you see those of which you may see every branch",
        "retrieve": "Get one run",
        "create": "Compute advice from the demand of the branches, and keep it",
        "accept": "Make draft purchase orders and draft transfers of chosen lines",
        "levels": "Make the levels of chosen lines those of their branches",
    }

    def create(self, request: Request) -> Response:
        """Levels come from what each branch used or wrote off; a short history borrows from the other branches.

        Customers who were turned away left no trace in the stock ledger, so a power that was often out of stock shows
        less demand than it has.
        """
        body = self.read_input()
        parameters = PolicyIn.parameters_from(body)
        run = services.run_make(
            actor=self.actor,
            branches=[branch_get_for(self.actor, key, permission=RUN) for key in body["branches"]],
            lenses=[lens_get(key) for key in body.get("lenses", [])],
            parameters=parameters,
            budget=body.get("budget"),
        )
        return self.answer(selectors.run_get_for(self.actor, run.id, permission=RUN), status=201)

    @action(detail=True, methods=["post"])
    def accept(self, request: Request, pk: str) -> Response:
        """Drafts only: a purchase order per branch and supplier, a transfer per pair of branches, all or nothing."""
        run, choices = self.get_object(), self.read_input()["lines"]
        lines = selectors.lines_get_for(self.actor, run, [choice.pop("line") for choice in choices])
        chosen = [services.Chosen(line, **choice) for line, choice in zip(lines, choices, strict=True)]
        return self.answer(services.run_accept(actor=self.actor, run=run, chosen=chosen))

    @action(detail=True, methods=["post"])
    def levels(self, request: Request, pk: str) -> Response:
        """The minimum becomes the reorder point, the target the order-up-to level; 0 where it is not worth keeping."""
        run = self.get_object()
        lines = selectors.lines_get_for(self.actor, run, dict.fromkeys(self.read_input()["lines"]))
        changed = services.run_levels_take_over(actor=self.actor, run=run, lines=lines)
        return self.answer({"run": run.id, "changed": changed})


class LineFilter(django_filters.FilterSet):
    run = django_filters.UUIDFilter(field_name="run_id")
    branch = django_filters.UUIDFilter(field_name="branch_id")
    lens = django_filters.UUIDFilter(field_name="item__lens_id")
    item = django_filters.UUIDFilter(field_name="item_id")
    abc_class = django_filters.ChoiceFilter(choices=[(name, name) for name in "ABCD"])
    to_buy = YesNoFilter(method="by_amount", label="Whether something is to be bought")
    to_transfer = YesNoFilter(method="by_amount", label="Whether something is to be sent here")
    accepted = YesNoFilter(field_name="acceptance", lookup_expr="isnull", exclude=True)

    class Meta:
        model = ReplenishmentLine
        fields: list[str] = []

    def by_amount(self, queryset: Any, name: str, value: bool) -> Any:
        column = "buy_quantity" if name == "to_buy" else "transfer_quantity"
        return queryset.filter(**{f"{column}__gt": 0}) if value else queryset.filter(**{column: 0})


class LineViewSet(ResourceViewSet):
    """One power at one branch: what is there, what is expected, what to do, and why in words."""

    tag, noun = "Replenishment", "replenishment line"
    selector = staticmethod(selectors.lines_visible_to)
    filterset_class = LineFilter
    permissions = {"list": VIEW, "retrieve": VIEW}
    output = ReplenishmentLineOut
    summaries = {"list": "List the lines of runs", "retrieve": "Get one line"}


class SimulationViewSet(ApiViewSet):
    """Try a policy on what really happened, against keeping the same few pieces of every power. Nothing is written."""

    tag, noun = "Replenishment", "replenishment simulation"
    permissions = {"create": RUN}
    inputs = {"create": SimulationIn}
    output = SimulationOut
    statuses = {"create": 200}
    summaries = {"create": "Replay history day by day under computed levels and under a fixed number of every power"}

    def create(self, request: Request) -> Response:
        """Levels are learned from the weeks before the replay only, so the comparison is an honest one."""
        body = self.read_input()
        parameters = PolicyIn.parameters_from(body)
        branch = branch_get_for(self.actor, body.pop("branch"), permission=RUN)
        lenses = [lens_get(key) for key in body.pop("lenses", [])]
        rows = body.pop("history", None)
        given = None if rows is None else [_taken(row) for row in rows]
        return self.answer(
            services.simulate(
                actor=self.actor, branch=branch, lenses=lenses, parameters=parameters, given=given, **body
            )
        )


def _taken(row: dict[str, Any]) -> services.Taken:
    sphere, cylinder = minus_form(row["sphere_dpt"], row.get("cylinder_dpt", 0))
    return services.Taken(sphere, cylinder, row["on"], row["quantity"])


class ClassesViewSet(ApiViewSet):
    """ABC: which items carry the value that moves at a branch."""

    tag, noun = "Replenishment", "ABC classes"
    permissions = {"list": VIEW}
    output = ClassesOut
    pagination_class = None
    summaries = {"list": "Classify what moved at a branch: A to 80 % of the value, B to 95 %, C the rest"}

    @extend_schema(parameters=[ClassesQueryIn], responses=ClassesOut, filters=False)  # type: ignore[untyped-decorator]
    def list(self, request: Request) -> Response:
        """The shares are common practice. Lenses and frames, used or written off, at cost, in whole weeks."""
        query = ClassesQueryIn(data=request.query_params.dict())
        query.is_valid(raise_exception=True)
        branch = branch_get_for(self.actor, query.validated_data["branch"], permission=VIEW)
        return self.answer(selectors.class_table(branch, weeks=query.validated_data["weeks"]))


class DeadStockFilter(django_filters.FilterSet):
    months = django_filters.NumberFilter(
        method="by_months",
        label=f"Not used for so many months; {selectors.DEAD_AFTER_MONTHS} when left out",
        min_value=1,
        max_value=240,
    )
    branch = django_filters.UUIDFilter(field_name="branch_id")
    kind = django_filters.ChoiceFilter(field_name="item__kind", choices=StockItem.Kind.choices)

    class Meta:
        model = None
        fields: list[str] = []

    def __init__(self, data: Any = None, *args: Any, **kwargs: Any) -> None:
        super().__init__({"months": str(selectors.DEAD_AFTER_MONTHS), **(data.dict() if data else {})}, *args, **kwargs)

    def by_months(self, queryset: Any, name: str, value: Any) -> Any:
        return selectors.not_moved_for(queryset, int(value))


class DeadStockViewSet(Lists):
    """Lots whose item nobody has used at that branch for months: send them on, return them or write them off."""

    tag, noun = "Replenishment", "dead stock"
    selector = staticmethod(selectors.dead_stock_visible_to)
    filterset_class = DeadStockFilter
    permissions = {"list": VIEW}
    output = DeadStockOut
    summaries = {"list": "List lots that have not moved for months"}


routes = [
    ("replenishment/runs", RunViewSet),
    ("replenishment/lines", LineViewSet),
    ("replenishment/simulations", SimulationViewSet),
    ("replenishment/classes", ClassesViewSet),
    ("replenishment/dead-stock", DeadStockViewSet),
]
