from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from opticshop.core.models import Entity
from opticshop.core.scoping import BranchOwned

from .ledger import Lot, StockItem


class Transfer(Entity, BranchOwned):
    """Pieces on their way from one branch to another. Both see it; the sender sends, the receiver receives.

    From the sending until they arrive, the pieces are in transit in the sender's lots: nobody has them on hand.
    """

    branch_path = "sender"

    class State(models.TextChoices):
        DRAFT = "draft"
        SENT = "sent"
        PART_RECEIVED = "part_received"
        RECEIVED = "received", "Received in full"
        CLOSED = "closed", "Closed: not all of it arrived"
        CANCELLED = "cancelled", "Called off before it was sent"

    sender = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    receiver = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    number = models.CharField(max_length=40, unique=True)
    state = models.CharField(max_length=14, choices=State.choices, default=State.DRAFT)
    note = models.CharField(max_length=200, blank=True)
    drafted_by_label = models.CharField(max_length=200)
    sent_at = models.DateTimeField(null=True)
    sent_by_label = models.CharField(max_length=200, blank=True)
    ended_at = models.DateTimeField(null=True)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(condition=~Q(sender=F("receiver")), name="stock_transfer_not_to_itself"),
            models.CheckConstraint(
                condition=Q(state__in=["draft", "sent", "part_received", "received", "closed", "cancelled"]),
                name="stock_transfer_state_known",
            ),
        ]
        indexes = [
            models.Index(fields=["sender", "-id"], name="stock_transfer_sender"),
            models.Index(fields=["receiver", "-id"], name="stock_transfer_receiver"),
        ]

    def __str__(self) -> str:
        return f"{self.number}: {self.state}"


_STATE = Transfer.State
#: From each state, the states that may follow.
TRANSFER_MOVES: dict[str, frozenset[str]] = {
    _STATE.DRAFT: frozenset({_STATE.SENT, _STATE.CANCELLED}),
    _STATE.SENT: frozenset({_STATE.PART_RECEIVED, _STATE.RECEIVED, _STATE.CLOSED}),
    _STATE.PART_RECEIVED: frozenset({_STATE.PART_RECEIVED, _STATE.RECEIVED, _STATE.CLOSED}),
}


class TransferLine(Entity, BranchOwned):
    """So many pieces of one item, once sent of one lot, and what became of them.

    Of a line that was sent, ``quantity - received - lost - returned`` pieces are still in transit.
    """

    branch_path = "transfer__sender"

    transfer = models.ForeignKey(Transfer, on_delete=models.PROTECT, related_name="lines")
    item = models.ForeignKey(StockItem, on_delete=models.PROTECT, related_name="+")
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, null=True, related_name="+", help_text="Known once sent")
    quantity = models.PositiveIntegerField(help_text="To be sent; once sent: sent")
    received = models.PositiveIntegerField(default=0)
    lost = models.PositiveIntegerField(default=0)
    returned = models.PositiveIntegerField(default=0, help_text="Came back to the sender")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(condition=Q(quantity__gt=0), name="stock_transfer_line_of_something"),
            models.CheckConstraint(
                condition=Q(quantity__gte=F("received") + F("lost") + F("returned")),
                name="stock_transfer_line_not_exceeded",
            ),
            models.CheckConstraint(
                condition=Q(lot__isnull=False) | Q(received=0, lost=0, returned=0),
                name="stock_transfer_line_sent_first",
            ),
            models.UniqueConstraint(fields=["transfer", "item", "lot"], name="stock_transfer_line_once"),
            models.UniqueConstraint(
                fields=["transfer", "item"], condition=Q(lot__isnull=True), name="stock_transfer_draft_line_once"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.quantity} sent, {self.received} received"
