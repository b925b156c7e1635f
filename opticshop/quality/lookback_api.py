"""The look-back of an instrument, addressed by the instrument, as JSON and as a file."""

from __future__ import annotations

from typing import Any

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.core.api import ApiViewSet
from opticshop.core.renderers import SvgRenderer
from opticshop.core.serializers import StrictSerializer
from opticshop.instruments.models import Instrument
from opticshop.instruments.selectors import instruments_visible_to
from opticshop.stock.exports import csv_text

from .lookback import LookBack, Passed, look_back
from .permissions import QualityPermission

HEADINGS = ("kind", "passed_at", "by", "job", "order", "customer", "eye", "state", "handed_over")


class CsvRenderer(SvgRenderer):
    """Text goes out as it is, a problem as JSON."""

    media_type = "text/csv"
    format = "csv"


class LookBackQueryIn(StrictSerializer):
    since = serializers.DateTimeField(required=False, help_text="In place of the last good check.")
    until = serializers.DateTimeField(required=False, help_text="In place of the check that cleared the doubt.")


class PassedOut(serializers.Serializer[Any]):
    kind = serializers.ChoiceField(["inspection", "reading"])
    id = serializers.UUIDField()
    eye = serializers.CharField(help_text="Of a reading; empty for an inspection of the pair.")
    passed_at = serializers.DateTimeField()
    by = serializers.CharField()
    job = serializers.UUIDField(source="job.id")
    job_number = serializers.CharField(source="job.number")
    job_state = serializers.CharField(source="job.state")
    order = serializers.UUIDField(source="job.order_id")
    order_number = serializers.CharField(source="job.order.number")
    customer = serializers.UUIDField(source="job.order.customer_id")
    handed_over = serializers.BooleanField(help_text="The customer has taken the pair away.")


class LookBackOut(serializers.Serializer[Any]):
    instrument = serializers.UUIDField(source="instrument.id")
    instrument_name = serializers.CharField(source="instrument.name")
    since = serializers.DateTimeField(
        source="span.since", allow_null=True, help_text="The last good check; null where there was none."
    )
    until = serializers.DateTimeField(
        source="span.until", allow_null=True, help_text="The check that cleared the doubt; null for up to now."
    )
    failed_check = serializers.UUIDField(
        source="span.failed.id", allow_null=True, default=None, help_text="The check that raised the doubt."
    )
    inspections = serializers.IntegerField()
    readings = serializers.IntegerField()
    jobs = serializers.IntegerField()
    orders = serializers.IntegerField()
    customers = serializers.IntegerField()
    handed_over = serializers.IntegerField(help_text="Orders whose pair the customer has taken away.")
    left_out = serializers.IntegerField(help_text="Rows beyond the most that are shown; the file has them all.")
    rows = PassedOut(many=True)


class LookBackViewSet(ApiViewSet):
    """Which pairs were passed on the word of an instrument since its last good check. What to do about them is for
    those who answer for the work to decide."""

    tag, noun = "Control charts", "look-back"
    buckets = {"csv": "exports"}
    queryset = Instrument.objects.none()
    permissions = {"retrieve": QualityPermission.VIEW, "csv": QualityPermission.VIEW}
    output = LookBackOut
    summaries = {
        "retrieve": "What passed with an instrument since its last good check; {id} is the instrument's",
        "csv": "The same as a CSV file, without a limit of rows",
    }

    def get_queryset(self) -> Any:
        if getattr(self, "swagger_fake_view", False):
            return Instrument.objects.none()
        return instruments_visible_to(self.actor)

    @extend_schema(parameters=[LookBackQueryIn])
    def retrieve(self, request: Request, pk: str) -> Response:
        return Response(LookBackOut(self._found()).data)

    @extend_schema(parameters=[LookBackQueryIn], responses={(200, CsvRenderer.media_type): OpenApiTypes.STR})
    @action(detail=True, methods=["get"], renderer_classes=[CsvRenderer])
    def csv(self, request: Request, pk: str) -> Response:
        found = self._found(most=None)
        text = "".join(csv_text(HEADINGS, (_line(row) for row in found.rows)))
        name = f'attachment; filename="look-back-{found.instrument.id}.csv"'
        return Response(text, headers={"Content-Disposition": name, "Cache-Control": "no-store"})

    def _found(self, **more: Any) -> LookBack:
        query = LookBackQueryIn(data=self.request.query_params.dict())
        query.is_valid(raise_exception=True)
        return look_back(self.actor, self.get_object(), **query.validated_data, **more)


def _line(row: Passed) -> tuple[object, ...]:
    job = row.job
    return (
        row.kind,
        row.passed_at.isoformat(),
        row.by,
        job.number,
        job.order.number,
        str(job.order.customer_id),
        row.eye,
        job.state,
        "yes" if row.handed_over else "no",
    )


routes = [("look-backs", LookBackViewSet)]
