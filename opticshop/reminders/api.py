from __future__ import annotations

import django_filters
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.core.api import ResourceViewSet

from . import selectors, services
from .models import Recall
from .permissions import ReminderPermission
from .serializers import RecallCloseIn, RecallOut


class RecallFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    customer = django_filters.UUIDFilter(field_name="customer_id")
    state = django_filters.ChoiceFilter(choices=Recall.State.choices)
    due_from = django_filters.DateFilter(field_name="due_on", lookup_expr="gte")
    due_to = django_filters.DateFilter(field_name="due_on", lookup_expr="lte")

    class Meta:
        model = Recall
        fields: list[str] = []


class RecallViewSet(ResourceViewSet):
    """When wearers are to be called back, and why then."""

    tag, noun = "Reminders", "recall"
    selector = staticmethod(selectors.recalls_visible_to)
    filterset_class = RecallFilter
    permissions = {
        "list": ReminderPermission.VIEW,
        "retrieve": ReminderPermission.VIEW,
        "close": ReminderPermission.MANAGE,
    }
    inputs = {"close": RecallCloseIn}
    output = RecallOut
    summaries = {
        "list": "Find recalls; those due in a window with due_from and due_to",
        "retrieve": "Get one recall",
        "close": "Close a planned recall, with the reason",
    }

    @action(detail=True, methods=["post"])
    def close(self, request: Request, pk: str) -> Response:
        recall = services.recall_close(actor=self.actor, recall=self.get_object(), **self.read_input())
        return self.answer(recall)


routes = [("recalls", RecallViewSet)]
