from __future__ import annotations

from typing import Any

import django_filters
from django.db import transaction
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.core.api import Lists, ResourceViewSet

from .. import selectors, services
from ..models import Transfer
from ..permissions import StockPermission
from ..serializers.transfers import (
    NothingIn,
    ReasonIn,
    TransferBranchOut,
    TransferDraftIn,
    TransferEndIn,
    TransferOut,
    TransferReceiveIn,
)
from .lots import item_named


class TransferFilter(django_filters.FilterSet):
    sender = django_filters.UUIDFilter(field_name="sender_id")
    receiver = django_filters.UUIDFilter(field_name="receiver_id")
    state = django_filters.ChoiceFilter(choices=Transfer.State.choices)
    number = django_filters.CharFilter()

    class Meta:
        model = Transfer
        fields: list[str] = []


class TransferViewSet(ResourceViewSet):
    """Pieces on their way between branches. Both branches see a transfer: one sends, the other takes in."""

    tag, noun = "Stock", "transfer"
    selector = staticmethod(selectors.transfers_visible_to)
    filterset_class = TransferFilter
    permissions = {
        "list": StockPermission.VIEW,
        "retrieve": StockPermission.VIEW,
        "create": StockPermission.TRANSFER,
        "send": StockPermission.TRANSFER,
        "receive": StockPermission.RECEIVE,
        "lose": StockPermission.WRITE_OFF,
        "take_back": StockPermission.TRANSFER,
        "cancel": StockPermission.TRANSFER,
    }
    inputs = {
        "create": TransferDraftIn,
        "send": NothingIn,
        "receive": TransferReceiveIn,
        "lose": TransferEndIn,
        "take_back": TransferEndIn,
        "cancel": ReasonIn,
    }
    output = TransferOut
    idempotent = dict.fromkeys(("create", "send", "receive", "lose", "take_back", "cancel"), "optional")
    summaries = {
        "list": "List transfers from and to your branches",
        "retrieve": "Get one transfer",
        "create": "Draft a transfer; nothing is promised or moved yet",
        "send": "Send a draft off, oldest lots first",
        "receive": "Take in what arrived; the rest stays in transit",
        "lose": "Give up pieces that were lost on the way",
        "take_back": "Put pieces that came back to the sender on hand again",
        "cancel": "Call a draft off",
    }

    def create(self, request: Request) -> Response:
        """Either branch may draft: the sender to send, the receiver to ask."""
        body = self.read_input()
        sender = selectors.branch_at_the_end(self.actor, body["sender"], field="sender")
        receiver = selectors.branch_at_the_end(self.actor, body["receiver"], field="receiver")
        with transaction.atomic():
            transfer = services.transfer_draft(
                actor=self.actor,
                sender=sender,
                receiver=receiver,
                wanted=[(item_named(line), line["quantity"]) for line in body["lines"]],
                note=body.get("note", ""),
            )
        return self._as_it_is(transfer, status=201)

    @action(detail=True, methods=["post"])
    def send(self, request: Request, pk: str) -> Response:
        """A line that takes pieces of several lots becomes a line per lot."""
        self.read_input()
        return self._as_it_is(services.transfer_send(actor=self.actor, transfer=self.get_object()))

    @action(detail=True, methods=["post"])
    def receive(self, request: Request, pk: str) -> Response:
        transfer = self.get_object()
        arrived = _pieces(self.read_input())
        return self._as_it_is(services.transfer_receive(actor=self.actor, transfer=transfer, arrived=arrived))

    @action(detail=True, methods=["post"])
    def lose(self, request: Request, pk: str) -> Response:
        transfer, body = self.get_object(), self.read_input()
        return self._as_it_is(
            services.transfer_lose(actor=self.actor, transfer=transfer, lost=_pieces(body), reason=body["reason"])
        )

    @action(detail=True, methods=["post"], url_path="take-back")
    def take_back(self, request: Request, pk: str) -> Response:
        transfer, body = self.get_object(), self.read_input()
        return self._as_it_is(
            services.transfer_take_back(
                actor=self.actor, transfer=transfer, returned=_pieces(body), reason=body["reason"]
            )
        )

    @action(detail=True, methods=["post"])
    def cancel(self, request: Request, pk: str) -> Response:
        transfer = self.get_object()
        return self._as_it_is(services.transfer_cancel(actor=self.actor, transfer=transfer, **self.read_input()))

    def _as_it_is(self, transfer: Transfer, *, status: int | None = None) -> Response:
        return self.answer(selectors.transfer_get_for(self.actor, transfer.id), status=status)


def _pieces(body: dict[str, Any]) -> dict[Any, int]:
    return {each["line"]: each["quantity"] for each in body["lines"]}


class TransferBranchViewSet(Lists):
    """The open branches of the group, so that the other end of a transfer can be named."""

    tag, noun = "Stock", "transfer branch"
    selector = staticmethod(selectors.branches_to_trade_with)
    permissions = {"list": StockPermission.TRANSFER}
    output = TransferBranchOut
    summaries = {"list": "List the branches that can be sent to or asked"}
