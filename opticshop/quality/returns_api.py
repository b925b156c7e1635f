"""Supervised stages, pairs that came back, and the figures of the workshop."""

from __future__ import annotations

import django_filters
from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.billing.selectors import payment_get_for
from opticshop.branches.selectors import branch_get_for
from opticshop.core.api import ApiViewSet, ResourceViewSet
from opticshop.core.filters import YesNoFilter
from opticshop.orders.selectors import order_get_for
from opticshop.workshop.permissions import WorkshopPermission

from . import selectors, services
from .figures import workshop_figures
from .models import PairReturn, SupervisedStage
from .permissions import QualityPermission
from .serializers import (
    FiguresAsked,
    FiguresOut,
    PairReturnIn,
    PairReturnOut,
    ReturnDecideIn,
    SupervisionIn,
    SupervisionOut,
)

VIEW = QualityPermission.VIEW


class SupervisionFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    order = django_filters.UUIDFilter(field_name="order_id")
    stage = django_filters.ChoiceFilter(choices=SupervisedStage.Stage.choices)

    class Meta:
        model = SupervisedStage
        fields: list[str] = []


class SupervisionViewSet(ResourceViewSet):
    """Who supervised which stage of a supply to a child or to somebody sight impaired. Local law comes first."""

    tag, noun = "Handover", "supervision"
    selector = staticmethod(selectors.supervisions_visible_to)
    filterset_class = SupervisionFilter
    permissions = {"list": VIEW, "retrieve": VIEW, "create": QualityPermission.SUPERVISE}
    inputs = {"create": SupervisionIn}
    output = SupervisionOut
    idempotent = {"create": "optional"}
    summaries = {
        "list": "Find supervised stages",
        "retrieve": "Get one supervised stage",
        "create": "Record that a registrant supervised measuring, the final check, or a later repair",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        order = order_get_for(self.actor, body.pop("order"))
        return self.answer(services.supervision_record(actor=self.actor, order=order, **body), status=201)


class PairReturnFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    order = django_filters.UUIDFilter(field_name="order_id")
    cause = django_filters.CharFilter(field_name="cause")
    decision = django_filters.ChoiceFilter(choices=PairReturn.Decision.choices)
    is_open = YesNoFilter(field_name="decided_at", lookup_expr="isnull", label="Not decided yet")

    class Meta:
        model = PairReturn
        fields: list[str] = []


class PairReturnViewSet(ResourceViewSet):
    """Collected pairs that came back: why, and what was decided."""

    tag, noun = "Handover", "return"
    selector = staticmethod(selectors.returns_visible_to)
    filterset_class = PairReturnFilter
    permissions = {
        "list": VIEW,
        "retrieve": VIEW,
        "create": QualityPermission.HANDOVER,
        "decide": QualityPermission.DECIDE_RETURN,
    }
    inputs = {"create": PairReturnIn, "decide": ReturnDecideIn}
    output = PairReturnOut
    idempotent = {"create": "optional", "decide": "optional"}
    summaries = {
        "list": "Find returns",
        "retrieve": "Get one return",
        "create": "Take a collected pair back in",
        "decide": "Decide a return: made again, paid back, adjusted, or nothing",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        order = order_get_for(self.actor, body.pop("order"))
        return self.answer(services.return_record(actor=self.actor, order=order, **body), status=201)

    @action(detail=True, methods=["post"])
    def decide(self, request: Request, pk: str) -> Response:
        found, body = self.get_object(), self.read_input()
        if "branch" in body:
            body["branch"] = branch_get_for(self.actor, body["branch"], permission=WorkshopPermission.WORK)
        if "payment" in body:
            body["payment"] = payment_get_for(self.actor, body["payment"])
        return self.answer(services.return_decide(actor=self.actor, found=found, **body))


class FiguresViewSet(ApiViewSet):
    """What head office watches; each share with its counts, each definition in ``opticshop.quality.figures``."""

    tag, noun = "Jobs", "workshop figures"
    permissions = {"list": QualityPermission.FIGURES}
    output = FiguresOut
    pagination_class = None
    summaries = {"list": "Right first time, spoil rate, turnaround and kept promises"}

    @extend_schema(parameters=[FiguresAsked], filters=False, responses=FiguresOut(many=False))
    def list(self, request: Request) -> Response:
        asked = FiguresAsked(data=request.query_params.dict())
        asked.is_valid(raise_exception=True)
        wanted = asked.validated_data
        branches = selectors.branches_watched_by(self.actor, wanted.pop("branch", None))
        return self.answer(workshop_figures(branches, **wanted))


routes = [
    ("supervisions", SupervisionViewSet),
    ("returns", PairReturnViewSet),
    ("workshop-figures", FiguresViewSet),
]
