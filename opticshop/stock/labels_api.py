from __future__ import annotations

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiExample, extend_schema, extend_schema_serializer
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.core.api import ApiViewSet
from opticshop.core.renderers import PdfRenderer
from opticshop.core.serializers import StrictSerializer
from opticshop.documents.labels import LAYOUTS

from .labels import LabelKind, LabelSymbol, labels_print
from .permissions import StockPermission


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Packets of one lot, on a sheet of which nine labels are used",
            value={
                "kind": "packet",
                "ids": ["01960000-0000-7000-8000-1202099a8059"],
                "layout": "a4-3x8",
                "start": 10,
                "copies": 5,
            },
        ),
        OpenApiExample(
            "A shelf label with its price from a roll",
            value={
                "kind": "shelf",
                "ids": ["01960000-0000-7000-8000-1202099a8059"],
                "layout": "roll-57x32",
                "with_price": True,
            },
        ),
    ]
)
class LabelsIn(StrictSerializer):
    kind = serializers.ChoiceField([kind.value for kind in LabelKind])
    ids = serializers.ListField(
        child=serializers.UUIDField(),
        min_length=1,
        max_length=500,
        help_text="For shelf: items. For packet: lots. Printed in this order.",
    )
    layout = serializers.ChoiceField([(layout.key, layout.words) for layout in LAYOUTS.values()])
    start = serializers.IntegerField(
        min_value=1, max_value=200, default=1, help_text="First free place of a part-used sheet, row by row from 1."
    )
    copies = serializers.IntegerField(min_value=1, max_value=200, default=1, help_text="Labels of each id.")
    symbol = serializers.ChoiceField(
        [symbol.value for symbol in LabelSymbol],
        default=LabelSymbol.AUTO.value,
        help_text="auto: a frame's number as EAN on a shelf; number and lot as GS1 DataMatrix on a packet; "
        "otherwise our id as QR.",
    )
    with_price = serializers.BooleanField(default=False, help_text="Print the price of frames.")


class LabelViewSet(ApiViewSet):
    """Labels to stick on shelves and packets, with codes that any reader reads. Nothing is written by printing."""

    tag, noun = "Stock", "label sheet"
    permissions = {"create": StockPermission.VIEW}
    inputs = {"create": LabelsIn}
    renderer_classes = [PdfRenderer]
    summaries = {"create": "Print labels of items or lots as PDF, at true size"}

    @extend_schema(responses={(200, PdfRenderer.media_type): OpenApiTypes.BINARY})
    def create(self, request: Request) -> Response:
        sheet = labels_print(actor=self.actor, **self.read_input())
        return Response(
            sheet, headers={"Content-Disposition": 'inline; filename="labels.pdf"', "Cache-Control": "no-store"}
        )


routes = [("labels", LabelViewSet)]
