from typing import Any

import django_filters
from django.db import transaction
from django.db.models import Q, QuerySet
from rest_framework import viewsets
from rest_framework.request import Request
from rest_framework.response import Response

from . import models as m
from . import serializers as s


class OfBranch(viewsets.ModelViewSet):
    """What lies in the branches of whoever asks."""

    def get_queryset(self) -> QuerySet:
        mine = m.Membership.objects.filter(user=self.request.user).values("branch")
        return super().get_queryset().filter(branch__in=mine)


class OrderViewSet(OfBranch):
    queryset = m.Order.objects.select_related("branch").prefetch_related(
        "lenses__product", "lines", "replacements", "promises__made_by"
    )
    serializer_class = s.OrderOut
    filterset_fields = ["branch", "state", "customer", "number"]


class CustomerViewSet(OfBranch):
    queryset = m.Customer.objects.filter(erased_at=None, merged_into=None).prefetch_related(
        "refusals", "wrong_addresses"
    )
    serializer_class = s.CustomerOut
    filterset_fields = ["branch", "birth_date"]
    search_fields = ["^family_name", "^given_name"]

    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        given = serializer.validated_data
        same = Q(email=given["email"]) | (Q(birth_date=given["birth_date"]) & Q(family_name=given["family_name"]))
        with transaction.atomic():
            alike = list(self.get_queryset().filter(same)[:10])
            made = serializer.save(
                country=given["branch"].country,
                language=given["branch"].language,
                search_given=given["given_name"].lower(),
                search_family=given["family_name"].lower(),
            )
            event = m.Event.objects.create(
                type="customers.registered",
                subject=f"customers/{made.id}",
                branch_id=made.branch_id,
                actor_id=request.user.id,
                data={"customer": str(made.id)},
            )
            m.Delivery.objects.create(event_id=event.id, handler="integrations.place_in_feed")
        body = {**serializer.data, "near_duplicates": s.NearDuplicateOut(alike, many=True).data}
        return Response(body, status=201)


class PrescriptionViewSet(OfBranch):
    queryset = m.Prescription.objects.select_related("branch", "superseded_by").prefetch_related(
        "eyes__prisms", "overrides"
    )
    serializer_class = s.PrescriptionOut
    filterset_fields = ["customer"]


class JobFilter(django_filters.FilterSet):
    state = django_filters.MultipleChoiceFilter(choices=[(each, each) for each in s.trade.MOVES])
    ordering = django_filters.OrderingFilter(fields=["promised_on"])

    class Meta:
        model, fields = m.Job, ["branch", "state", "order"]


class JobViewSet(OfBranch):
    queryset = m.Job.objects.select_related("branch", "order__frame", "holder", "bench").prefetch_related("steps")
    filterset_class = JobFilter

    def get_serializer_class(self) -> Any:
        return s.JobOut if self.action == "list" else s.JobInFullOut

    def get_queryset(self) -> QuerySet:
        found = super().get_queryset()
        if self.action == "list":
            return found
        return found.prefetch_related(
            "steps__by", "steps__started_by", "readings__read_by", "breakages__by", "order__lenses__product"
        )


class LotViewSet(OfBranch):
    queryset = m.Lot.objects.select_related("item__frame", "item__lens")
    serializer_class = s.LotOut
    filterset_fields = ["branch"]


class PaymentViewSet(OfBranch):
    queryset = m.Payment.objects.select_related("receipt")
    serializer_class = s.PaymentOut
    filterset_fields = ["branch", "order", "kind"]
