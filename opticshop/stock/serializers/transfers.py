from __future__ import annotations

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_field, extend_schema_serializer
from rest_framework import serializers

from opticshop.branches.models import Branch
from opticshop.core.serializers import StrictSerializer, TextField

from ..models import Transfer, TransferLine
from ..services.transfers import in_transit_of
from .lots import ArticleIn, StockItemOut

_LINE = "01890a5d-ac96-774b-bcce-b302099a8061"


class TransferBranchOut(serializers.ModelSerializer[Branch]):
    class Meta:
        model = Branch
        fields = ["id", "code", "name"]
        read_only_fields = fields


class TransferLineOut(serializers.ModelSerializer[TransferLine]):
    item = StockItemOut(read_only=True)
    lot_code = serializers.SerializerMethodField(help_text="Empty until it is sent.")
    in_transit = serializers.SerializerMethodField()

    class Meta:
        model = TransferLine
        fields = ["id", "item", "lot", "lot_code", "quantity", "received", "lost", "returned", "in_transit"]
        read_only_fields = fields

    def get_lot_code(self, line: TransferLine) -> str:
        return line.lot.code if line.lot else ""

    def get_in_transit(self, line: TransferLine) -> int:
        return in_transit_of(line)


class TransferOut(serializers.ModelSerializer[Transfer]):
    sender = TransferBranchOut(read_only=True)
    receiver = TransferBranchOut(read_only=True)
    lines = TransferLineOut(many=True, read_only=True)
    in_transit = serializers.SerializerMethodField(help_text="Pieces that were sent and have not arrived.")

    class Meta:
        model = Transfer
        fields = [
            "id",
            "number",
            "sender",
            "receiver",
            "state",
            "note",
            "lines",
            "in_transit",
            "drafted_by_label",
            "created_at",
            "sent_at",
            "sent_by_label",
            "ended_at",
        ]
        read_only_fields = fields

    @extend_schema_field(int)
    def get_in_transit(self, transfer: Transfer) -> int:
        return sum(in_transit_of(line) for line in transfer.lines.all())


class WantedLineIn(ArticleIn, StrictSerializer):
    quantity = serializers.IntegerField(min_value=1, max_value=10_000)


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Four lenses and a frame",
            value={
                "sender": "01890a5d-ac96-774b-bcce-b302099a8057",
                "receiver": "01890a5d-ac96-774b-bcce-b302099a8060",
                "note": "for Saturday",
                "lines": [
                    {
                        "kind": "lens",
                        "lens": "01890a5d-ac96-774b-bcce-b302099a8058",
                        "sphere_dpt": "-2.00",
                        "cylinder_dpt": "-0.50",
                        "quantity": 4,
                    },
                    {"kind": "frame", "frame": "01890a5d-ac96-774b-bcce-b302099a8059", "quantity": 1},
                ],
            },
        )
    ]
)
class TransferDraftIn(StrictSerializer):
    sender = serializers.UUIDField()
    receiver = serializers.UUIDField()
    note = TextField(max_length=200, required=False, allow_blank=True)
    lines = WantedLineIn(many=True, allow_empty=False, max_length=500)  # type: ignore[call-arg]


class LinePiecesIn(StrictSerializer):
    line = serializers.UUIDField()
    quantity = serializers.IntegerField(min_value=1, max_value=10_000)


class _PiecesIn(StrictSerializer):
    lines = LinePiecesIn(many=True, allow_empty=False, max_length=500)  # type: ignore[call-arg]

    def validate_lines(self, lines: list[dict[str, Any]]) -> list[dict[str, Any]]:
        if len({each["line"] for each in lines}) < len(lines):
            raise serializers.ValidationError("Name each line once.", code="twice")
        return lines


@extend_schema_serializer(
    examples=[OpenApiExample("Three of four came", value={"lines": [{"line": _LINE, "quantity": 3}]})]
)
class TransferReceiveIn(_PiecesIn):
    pass


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "One never came", value={"lines": [{"line": _LINE, "quantity": 1}], "reason": "parcel opened on the way"}
        )
    ]
)
class TransferEndIn(_PiecesIn):
    reason = TextField(max_length=200)


@extend_schema_serializer(examples=[OpenApiExample("No longer needed", value={"reason": "ordered from the supplier"})])
class ReasonIn(StrictSerializer):
    reason = TextField(max_length=200)


@extend_schema_serializer(examples=[OpenApiExample("Nothing more to say", value={})])
class NothingIn(StrictSerializer):
    """An empty object."""
