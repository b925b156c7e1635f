from __future__ import annotations

from typing import Any

import django_filters
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.branches.selectors import branch_get_for, branches_visible_to
from opticshop.core.api import ResourceViewSet
from opticshop.core.requests import actor_of

from . import selectors, services
from .models import Customer
from .permissions import CustomerPermission
from .serializers import CustomerAmendIn, CustomerOut, CustomerRegisteredOut, CustomerRegisterIn


class CustomerFilter(django_filters.FilterSet):
    name = django_filters.CharFilter(
        method="by_name", label="Beginning of given or family name; several words narrow further"
    )
    phone = django_filters.CharFilter(method="by_phone", label="Phone number, in any usual writing")
    birth_date = django_filters.DateFilter(field_name="birth_date")
    branch = django_filters.UUIDFilter(field_name="branch_id")

    class Meta:
        model = Customer
        fields: list[str] = []

    def by_name(self, queryset: Any, name: str, value: str) -> Any:
        return selectors.customers_named(queryset, value)

    def by_phone(self, queryset: Any, name: str, value: str) -> Any:
        countries = branches_visible_to(actor_of(self.request)).values_list("country", flat=True).distinct()
        return queryset.filter(phone_e164__in=services.phone_readings(value, countries))


class CustomerViewSet(ResourceViewSet):
    """People who wear what we make. Search by name, phone or birth date."""

    tag, noun = "Customers", "customer"
    selector = staticmethod(selectors.customers_visible_to)
    filterset_class = CustomerFilter
    permissions = {
        "list": CustomerPermission.VIEW,
        "retrieve": CustomerPermission.VIEW,
        "create": CustomerPermission.EDIT,
        "partial_update": CustomerPermission.EDIT,
    }
    inputs = {"create": CustomerRegisterIn, "partial_update": CustomerAmendIn}
    outputs = {"create": CustomerRegisteredOut}
    output = CustomerOut
    summaries = {
        "list": "Find customers",
        "retrieve": "Get one customer",
        "create": "Register a customer; near-duplicates are named in the answer",
        "partial_update": "Amend a customer's details",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        branch = branch_get_for(self.actor, body.pop("branch"), permission=CustomerPermission.EDIT)
        registered = services.customer_register(actor=self.actor, branch=branch, **self._with_guardian(body))
        registered.customer.near_duplicates = registered.near_duplicates  # type: ignore[attr-defined]
        return self.answer(registered.customer, status=201)

    def partial_update(self, request: Request, pk: str) -> Response:
        customer, version = self.get_object(), self.expected_version()
        changes = self._with_guardian(self.read_input())
        return self.answer(
            services.customer_amend(actor=self.actor, customer=customer, version=version, changes=changes)
        )

    def _with_guardian(self, body: dict[str, Any]) -> dict[str, Any]:
        if body.get("guardian"):
            body["guardian"] = selectors.customer_get_for(self.actor, body["guardian"])
        return body


routes = [("customers", CustomerViewSet)]
