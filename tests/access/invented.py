"""Routes that nobody entered in the table: what the walk must find. Not part of the service."""

from __future__ import annotations

from drf_spectacular.utils import extend_schema
from rest_framework.permissions import AllowAny
from rest_framework.response import Response
from rest_framework.routers import SimpleRouter
from rest_framework.viewsets import ViewSet


class OpenViewSet(ViewSet):
    permission_classes = [AllowAny]

    @extend_schema(operation_id="invented_open", responses={200: str})
    def list(self, request):
        return Response("anything")


class UnknownViewSet(ViewSet):
    permissions = {"list": "customers.peek"}

    @extend_schema(operation_id="invented_unknown", responses={200: str})
    def list(self, request):
        return Response("anything")


router = SimpleRouter()
router.register("invented/open", OpenViewSet, basename="open")
router.register("invented/unknown", UnknownViewSet, basename="unknown")
urlpatterns = router.urls
