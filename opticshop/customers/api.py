from __future__ import annotations

import uuid
from typing import Any

import django_filters
from django.db.models import QuerySet
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.branches.selectors import branch_get_for, branches_visible_to
from opticshop.core import acting
from opticshop.core.api import Lists, ResourceViewSet
from opticshop.core.errors import NotFound
from opticshop.core.fetching import fetch_related
from opticshop.core.filters import YesNoFilter
from opticshop.core.kept import A_KEY, Word
from opticshop.core.requests import actor_of
from opticshop.core.text import folded

from . import selectors, services
from .models import ConsentChange, Customer, StatusChange
from .permissions import CustomerPermission
from .serializers import (
    AddressRightIn,
    AddressWrongIn,
    ConsentChangeOut,
    ContactChoiceIn,
    CustomerAmendIn,
    CustomerOut,
    CustomerRegisteredOut,
    CustomerRegisterIn,
    DuplicateOut,
    MergeIn,
    StatusChangeOut,
    StatusCorrectIn,
    StatusIn,
    UnmergeIn,
)


class CustomerSearch(django_filters.FilterSet):
    name = django_filters.CharFilter(
        method="by_name", label="Beginning of given or family name; several words narrow further"
    )
    phone = django_filters.CharFilter(method="by_phone", label="Phone number, in any usual writing")
    birth_date = django_filters.DateFilter(field_name="birth_date")
    branch = django_filters.UUIDFilter(field_name="branch_id")
    merged = YesNoFilter(method="with_merged", label="true: show records that were merged into others too")
    merged_into = django_filters.UUIDFilter(method="by_survivor", label="What was merged into this customer")

    class Meta:
        model = Customer
        fields: list[str] = []

    def by_name(self, queryset: Any, name: str, value: str) -> Any:
        return selectors.customers_named(queryset, value, actor_of(self.request))

    def by_phone(self, queryset: Any, name: str, value: str) -> Any:
        countries = branches_visible_to(actor_of(self.request)).values_list("country", flat=True).distinct()
        return queryset.filter(phone_e164__in=services.phone_readings(value, countries))

    def with_merged(self, queryset: Any, name: str, value: bool) -> Any:
        """The list leaves merged records out unless it is asked for them."""
        return queryset

    def by_survivor(self, queryset: Any, name: str, value: uuid.UUID) -> Any:
        """Only for a survivor that the actor may see: otherwise it would tell of merges across branches."""
        return queryset.filter(merged_into__in=selectors.customers_visible_to(actor_of(self.request)).filter(id=value))


class CustomerViewSet(ResourceViewSet):
    """People who wear what we make. Search by name, phone or birth date."""

    tag, noun = "Customers", "customer"
    prepared = True
    kept_queries = {"branch": A_KEY, "name": Word(folded, selectors.LONGEST_WORD)}
    buckets = {"list": "search"}
    selector = staticmethod(selectors.customers_shown_to)
    filterset_class = CustomerSearch
    permissions = {
        "list": CustomerPermission.VIEW,
        "retrieve": CustomerPermission.VIEW,
        "create": CustomerPermission.EDIT,
        "partial_update": CustomerPermission.EDIT,
        "refuse": CustomerPermission.EDIT,
        "allow": CustomerPermission.EDIT,
        "address_wrong": CustomerPermission.EDIT,
        "address_right": CustomerPermission.EDIT,
        "deceased": CustomerPermission.EDIT,
        "moved_away": CustomerPermission.EDIT,
        "correct_status": CustomerPermission.EDIT,
        "merge": CustomerPermission.MERGE,
        "unmerge": CustomerPermission.MERGE,
    }
    inputs = {
        "create": CustomerRegisterIn,
        "partial_update": CustomerAmendIn,
        "refuse": ContactChoiceIn,
        "allow": ContactChoiceIn,
        "address_wrong": AddressWrongIn,
        "address_right": AddressRightIn,
        "deceased": StatusIn,
        "moved_away": StatusIn,
        "correct_status": StatusCorrectIn,
        "merge": MergeIn,
        "unmerge": UnmergeIn,
    }
    outputs = {"create": CustomerRegisteredOut}
    output = CustomerOut
    guarded = frozenset({"deceased", "moved_away", "correct_status", "merge", "unmerge"})
    summaries = {
        "list": "Find customers; records that were merged into others are left out",
        "retrieve": "Get one customer",
        "create": "Register a customer; near-duplicates are named in the answer",
        "partial_update": "Amend a customer's details",
        "refuse": "Nothing of this purpose by this way any more",
        "allow": "Take such a refusal back",
        "address_wrong": "The address of this way is wrong: do not use it until it is changed",
        "address_right": "The address of this way is right after all",
        "deceased": "The person has died: all messages stop",
        "moved_away": "The person has moved away: no recalls and no marketing",
        "correct_status": "The person did not die, or did not move",
        "merge": "Merge a duplicate into this customer; nothing is moved or lost",
        "unmerge": "Part a merged record from its survivor",
    }

    def get_queryset(self) -> QuerySet[Customer]:
        found = super().get_queryset()
        if self.action != "list" or getattr(self, "swagger_fake_view", False):
            return found
        asked = self.request.query_params
        with_merged = asked.get("merged", "").lower() == "true" or "merged_into" in asked
        return found if with_merged else found.filter(merged_into=None)

    def create(self, request: Request) -> Response:
        body = self.read_input()
        branch = branch_get_for(self.actor, body.pop("branch"), permission=CustomerPermission.EDIT)
        registered = services.customer_register(actor=self.actor, branch=branch, **self._with_guardian(body))
        registered.customer.near_duplicates = registered.near_duplicates  # type: ignore[attr-defined]
        fetch_related([registered.customer], ("refusals", "wrong_addresses"), "default")
        return self.answer(registered.customer, status=201)

    def partial_update(self, request: Request, pk: str) -> Response:
        customer, version = self.get_object(), self.expected_version()
        changes = self._with_guardian(self.read_input())
        said = {name: changes.pop(name) for name in ("consent_source", "consent_wording") if name in changes}
        return self.answer(
            services.customer_amend(actor=self.actor, customer=customer, version=version, changes=changes, **said)
        )

    @action(detail=True, methods=["post"])
    def refuse(self, request: Request, pk: str) -> Response:
        services.contact_refuse(self.actor, self.get_object(), **self.read_input())
        return self.answer(self.get_object())

    @action(detail=True, methods=["post"])
    def allow(self, request: Request, pk: str) -> Response:
        services.contact_allow(self.actor, self.get_object(), **self.read_input())
        return self.answer(self.get_object())

    @action(detail=True, methods=["post"], url_path="address-wrong")
    def address_wrong(self, request: Request, pk: str) -> Response:
        services.address_wrong(actor=self.actor, customer=self.get_object(), **self.read_input())
        return self.answer(self.get_object())

    @action(detail=True, methods=["post"], url_path="address-right")
    def address_right(self, request: Request, pk: str) -> Response:
        services.address_right(actor=self.actor, customer=self.get_object(), **self.read_input())
        return self.answer(self.get_object())

    @action(detail=True, methods=["post"])
    def deceased(self, request: Request, pk: str) -> Response:
        return self._guarded(services.customer_deceased)

    @action(detail=True, methods=["post"], url_path="moved-away")
    def moved_away(self, request: Request, pk: str) -> Response:
        return self._guarded(services.customer_moved_away)

    @action(detail=True, methods=["post"], url_path="correct-status")
    def correct_status(self, request: Request, pk: str) -> Response:
        return self._guarded(services.customer_status_correct)

    @action(detail=True, methods=["post"])
    def merge(self, request: Request, pk: str) -> Response:
        survivor, version, body = self.get_object(), self.expected_version(), self.read_input()
        duplicate = selectors.customer_get_for(self.actor, body.pop("duplicate"))
        services.customer_merge(actor=self.actor, survivor=survivor, duplicate=duplicate, version=version, **body)
        return self.answer(self.get_object())

    @action(detail=True, methods=["post"])
    def unmerge(self, request: Request, pk: str) -> Response:
        return self._guarded(services.customer_unmerge)

    def _guarded(self, service: Any) -> Response:
        customer, version = self.get_object(), self.expected_version()
        service(actor=self.actor, customer=customer, version=version, **self.read_input())
        return self.answer(self.get_object())

    def _with_guardian(self, body: dict[str, Any]) -> dict[str, Any]:
        if body.get("guardian"):
            body["guardian"] = selectors.customer_get_for(self.actor, body["guardian"])
        return body


class _OfCustomer(Lists):
    """Something that one customer has many of."""

    filterset_class = None
    permissions = {"list": CustomerPermission.VIEW}

    def _customer(self) -> Customer:
        text = self.kwargs["customer_id"]
        try:
            key = uuid.UUID(text)
        except ValueError as error:
            raise NotFound(f"There is no customer {text} here.", field="customer") from error
        return selectors.customer_get_for(self.actor, key)


class ConsentsOfCustomerViewSet(_OfCustomer):
    """What a person agreed to hear and took back, as it was said."""

    tag, noun = "Customers", "consent of customer"
    queryset = ConsentChange.objects.none()
    output = ConsentChangeOut
    summaries = {"list": "What a person agreed to hear and took back, newest first"}

    def get_queryset(self) -> QuerySet[ConsentChange]:
        if getattr(self, "swagger_fake_view", False):
            return self._model_for_schema()
        return selectors.consent_changes_of(self._customer())


class StatusesOfCustomerViewSet(_OfCustomer):
    """That a person died or moved, or that this was wrong, as it was recorded."""

    tag, noun = "Customers", "status of customer"
    queryset = StatusChange.objects.none()
    output = StatusChangeOut
    summaries = {"list": "When it was recorded that a person died or moved, newest first"}

    def get_queryset(self) -> QuerySet[StatusChange]:
        if getattr(self, "swagger_fake_view", False):
            return self._model_for_schema()
        return selectors.status_changes_of(self._customer())


class DuplicateSearch(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id", label="Branch of the newer record")

    class Meta:
        model = Customer
        fields: list[str] = []


class DuplicateViewSet(Lists):
    """Records that may be of one person."""

    tag, noun = "Customers", "duplicate customer"
    selector = staticmethod(selectors.duplicates_visible_to)
    filterset_class = DuplicateSearch
    permissions = {"list": CustomerPermission.MERGE}
    output = DuplicateOut
    summaries = {"list": "Customers of whom older records may be the same person, and why"}

    def list(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        page = self.paginate_queryset(self.filter_queryset(self.get_queryset())) or []
        alike = selectors.alike_older(self.actor, page)
        acting.saw(Customer, [*page, *(older.customer for each in alike.values() for older in each)])
        for customer in page:
            customer.alike = alike.get(customer.id, [])
        body = self.shapes_of(page)
        return self.get_paginated_response(body)


_CUSTOMER = r"customers/(?P<customer_id>[0-9a-fA-F-]{36})"
routes = [
    ("customers", CustomerViewSet),
    ("customers/duplicates", DuplicateViewSet),
    (rf"{_CUSTOMER}/consents", ConsentsOfCustomerViewSet),
    (rf"{_CUSTOMER}/status-changes", StatusesOfCustomerViewSet),
]
