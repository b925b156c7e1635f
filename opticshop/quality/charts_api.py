"""Endpoints of control charts and gauge studies."""

from __future__ import annotations

from typing import Any

import django_filters
from drf_spectacular.helpers import forced_singular_serializer
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.branches.selectors import branch_get_for
from opticshop.core.api import ApiViewSet, ResourceViewSet
from opticshop.core.renderers import SvgRenderer
from opticshop.instruments.selectors import instrument_get_for

from . import charts, charts_selectors, charts_services
from .charts_models import DeviationPoint, GaugeStudy
from .charts_serializers import ChartQueryIn, ControlChartOut, GaugeStudyIn, GaugeStudyOut
from .permissions import QualityPermission

_SVG = {(200, SvgRenderer.media_type): OpenApiTypes.STR}


class ControlChartViewSet(ApiViewSet):
    """How steady the work is: deviations (measured minus ordered) of one parameter in the order they were measured,
    with limits, broken rules and capability. The newest 5 000 points at most; a point appears once its event is
    delivered."""

    tag, noun = "Control charts", "control chart"
    queryset = DeviationPoint.objects.none()
    pagination_class = None
    filter_backends: list[Any] = []
    permissions = {"list": QualityPermission.VIEW, "svg": QualityPermission.VIEW}
    output = ControlChartOut
    summaries = {"list": "Compute a control chart", "svg": "The control chart as SVG"}

    @extend_schema(parameters=[ChartQueryIn], responses=forced_singular_serializer(ControlChartOut))
    def list(self, request: Request) -> Response:
        chart, about = self._chart()
        shown = {
            "unit": chart.unit,
            "limits": chart.limits,
            "tolerance": chart.tolerance,
            "capability": chart.capability,
            "breaks": chart.breaks,
            "notes": chart.notes,
            "points": chart.points,
        }
        return Response(ControlChartOut({**about, **shown}).data)

    @extend_schema(parameters=[ChartQueryIn], responses=_SVG)
    @action(detail=False, methods=["get"], renderer_classes=[SvgRenderer])
    def svg(self, request: Request) -> Response:
        from .charts_svg import control_chart_svg  # with it comes matplotlib, which every start would wait for

        chart, about = self._chart()
        drawn = control_chart_svg(chart, parameter=about["parameter"], named=about["named"])
        return Response(drawn, headers={"Cache-Control": "no-store"})

    def _chart(self) -> tuple[charts.ControlChart, dict[str, Any]]:
        query = ChartQueryIn(data=self.request.query_params.dict())
        query.is_valid(raise_exception=True)
        asked = query.validated_data
        branch = (
            branch_get_for(self.actor, asked["branch"], permission=QualityPermission.VIEW)
            if "branch" in asked
            else None
        )
        narrowed = charts_selectors.Narrowed(
            parameter=asked["parameter"],
            by=asked.get("by"),
            key=asked.get("key"),
            branch=branch,
            from_on=asked.get("from"),
            to_on=asked.get("to"),
            of=asked.get("of"),
            eye=asked.get("eye"),
        )
        named = ""
        if narrowed.by is not None and narrowed.key is not None:
            named = charts_selectors.key_named(self.actor, narrowed.by, narrowed.key)
        series = charts_selectors.chart_series(self.actor, narrowed)
        wanted = charts.Wanted(
            kind=asked["chart"],
            scale=asked["scale"],
            centre=asked["centre"],
            rules=tuple(int(rule) for rule in asked["rules"].split(",")),
            weight=asked["weight"],
            width=asked["width"],
            baseline_to=narrowed.end_of(asked["baseline_to"]) if "baseline_to" in asked else None,
        )
        about = {"parameter": narrowed.parameter, "named": named, "cut": series.cut}
        return charts.control_chart(series.points, wanted), about


class GaugeStudyFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    instrument = django_filters.UUIDFilter(field_name="instrument_id")

    class Meta:
        model = GaugeStudy
        fields: list[str] = []


class GaugeStudyViewSet(ResourceViewSet):
    """Gauge repeatability and reproducibility: how much of the spread seen comes from measuring."""

    tag, noun = "Control charts", "gauge study"
    selector = staticmethod(charts_selectors.studies_visible_to)
    filterset_class = GaugeStudyFilter
    permissions = {
        "list": QualityPermission.VIEW,
        "retrieve": QualityPermission.VIEW,
        "svg": QualityPermission.VIEW,
        "create": QualityPermission.INSPECT,
    }
    inputs = {"create": GaugeStudyIn}
    output = GaugeStudyOut
    idempotent = {"create": "optional"}
    summaries = {
        "list": "Find gauge studies",
        "retrieve": "Get one gauge study",
        "svg": "The gauge study as SVG",
        "create": "Compute a crossed gauge study from its readings and keep it",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        branch = branch_get_for(self.actor, body.pop("branch"), permission=QualityPermission.INSPECT)
        instrument = body.pop("instrument", None)
        if instrument is not None:
            body["instrument"] = instrument_get_for(self.actor, instrument)
        return self.answer(charts_services.study_record(actor=self.actor, branch=branch, **body), status=201)

    @extend_schema(responses=_SVG)
    @action(detail=True, methods=["get"], renderer_classes=[SvgRenderer])
    def svg(self, request: Request, pk: str) -> Response:
        from .charts_gauge_svg import gauge_study_svg

        return Response(gauge_study_svg(self.get_object()))


routes = [("control-charts", ControlChartViewSet), ("gauge-studies", GaugeStudyViewSet)]
