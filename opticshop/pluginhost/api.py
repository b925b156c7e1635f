from __future__ import annotations

import dataclasses
import uuid
from collections.abc import Sequence
from typing import Any

from django.http import QueryDict
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework.decorators import action
from rest_framework.pagination import BasePagination
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.branches.models import Branch
from opticshop.branches.selectors import branch_get_for
from opticshop.core.api import ApiViewSet
from opticshop.core.errors import Invalid
from opticshop.core.pagination import KeyCursorPagination

from . import selectors, services
from .permissions import CalculatorPermission, PluginPermission
from .serializers import (
    ActivationOut,
    ActivationSetIn,
    CalculatorAnswerOut,
    CalculatorBatchIn,
    CalculatorBatchOut,
    CalculatorDetailOut,
    CalculatorInputsIn,
    CalculatorOut,
    LimitOut,
    PluginOut,
    StandardDetailOut,
    StandardOut,
)

_BRANCH = OpenApiParameter("branch", uuid.UUID, description="A branch of yours; without one, the group")


class AllAtOnce(BasePagination):
    """The shape of every list, for things that are few and not rows: one page holds them all."""

    def get_paginated_response_schema(self, schema: dict[str, Any]) -> dict[str, Any]:
        return KeyCursorPagination().get_paginated_response_schema(schema)


class BroughtViewSet(ApiViewSet):
    """What lives in the registry of plugins rather than in a table."""

    lookup_field = "name"
    lookup_value_regex = "[a-z0-9-]{1,80}"
    pagination_class = AllAtOnce
    lists_many = True
    filter_backends: Sequence[Any] = ()

    def answer_all(self, found: Sequence[Any]) -> Response:
        body = self.shapes_of(found)
        return Response({"next": None, "previous": None, "results": body})


class CalculatorViewSet(BroughtViewSet):
    """Optics calculators, each with inputs and outputs of its own; the answer names the source of the formula."""

    tag, noun = "Calculators", "calculator"
    permissions = {
        "list": CalculatorPermission.VIEW,
        "retrieve": CalculatorPermission.VIEW,
        "run": CalculatorPermission.RUN,
        "batch": CalculatorPermission.RUN,
    }
    inputs = {"run": CalculatorInputsIn, "batch": CalculatorBatchIn}
    outputs = {
        "list": CalculatorOut,
        "retrieve": CalculatorDetailOut,
        "run": CalculatorAnswerOut,
        "batch": CalculatorBatchOut,
    }
    summaries = {
        "list": "List the calculators",
        "retrieve": "Get one calculator with the schemas of its inputs and outputs",
        "run": "Compute once",
        "batch": "Compute up to 10,000 rows; each row stands for itself",
    }

    def list(self, request: Request) -> Response:
        return self.answer_all(selectors.calculators_for(self.actor))

    def retrieve(self, request: Request, name: str) -> Response:
        body = CalculatorDetailOut(selectors.calculator_get_for(self.actor, name)).data
        return Response(body)

    @action(detail=True, methods=["post"])
    def run(self, request: Request, name: str) -> Response:
        answer = services.calculator_run(actor=self.actor, name=name, inputs=self.read_input())
        return Response(dataclasses.asdict(answer))

    @action(detail=True, methods=["post"])
    def batch(self, request: Request, name: str) -> Response:
        answer = services.calculator_batch(actor=self.actor, name=name, rows=self.read_input()["rows"])
        return Response(dataclasses.asdict(answer))


class PluginViewSet(BroughtViewSet):
    """What is installed, whether it works, what it brings, and where it is switched on."""

    tag, noun = "Plugins", "plugin"
    output = PluginOut
    permissions = {
        "list": PluginPermission.VIEW,
        "retrieve": PluginPermission.VIEW,
        "activation": PluginPermission.VIEW,
        "set_activation": PluginPermission.MANAGE,
    }
    inputs = {"set_activation": ActivationSetIn}
    outputs = {"activation": ActivationOut, "set_activation": ActivationOut}
    summaries = {
        "list": "List the installed plugins, healthy or not",
        "retrieve": "Get one plugin",
        "activation": "Whether a plugin is active at a branch, and with which settings",
        "set_activation": "Switch a plugin on or off and set it up, for the group or at one branch",
    }

    def list(self, request: Request) -> Response:
        return self.answer_all(selectors.plugins_for(self.actor))

    def retrieve(self, request: Request, name: str) -> Response:
        return Response(PluginOut(selectors.plugin_get_for(self.actor, name)).data)

    @extend_schema(parameters=[_BRANCH])  # type: ignore[untyped-decorator]
    @action(detail=True, methods=["get"])
    def activation(self, request: Request, name: str) -> Response:
        plugin = selectors.plugin_usable(name)
        branch = self._branch(branch_from_query(request.query_params), PluginPermission.VIEW)
        return self.answer(selectors.activation_for(plugin, branch))

    @extend_schema()  # type: ignore[untyped-decorator]  # without it, the reading half's parameters are asked of this
    @activation.mapping.put  # type: ignore[untyped-decorator]
    def set_activation(self, request: Request, name: str) -> Response:
        plugin = selectors.plugin_usable(name)
        body = self.read_input()
        branch = self._branch(body.pop("branch", None), PluginPermission.MANAGE)
        services.plugin_activation_set(
            actor=self.actor, plugin=plugin, branch=branch, version=self.expected_version(), **body
        )
        return self.answer(selectors.activation_for(plugin, branch))

    def current_version(self) -> int:
        branch = self._branch(self.read_input().get("branch"), PluginPermission.VIEW)
        return selectors.activation_for(selectors.plugin_usable(self.kwargs["name"]), branch).version

    def _branch(self, branch_id: uuid.UUID | None, permission: str) -> Branch | None:
        return None if branch_id is None else branch_get_for(self.actor, branch_id, permission=permission)


class ToleranceStandardViewSet(BroughtViewSet):
    """Tolerance standards that a branch may inspect by, with every limit, its clause, and how well it is known."""

    tag, noun = "Inspections", "tolerance standard"
    lookup_field = "key"
    permissions = {"list": CalculatorPermission.VIEW, "retrieve": CalculatorPermission.VIEW}
    outputs = {"list": StandardOut, "retrieve": StandardDetailOut}
    summaries = {
        "list": "List the tolerance standards",
        "retrieve": "Get one tolerance standard with its table of limits",
    }

    @extend_schema(parameters=[_BRANCH])  # type: ignore[untyped-decorator]
    def list(self, request: Request) -> Response:
        return self.answer_all(selectors.standards_at(self._branch()))

    @extend_schema(parameters=[_BRANCH])  # type: ignore[untyped-decorator]
    def retrieve(self, request: Request, key: str) -> Response:
        branch = self._branch()
        brought = selectors.standard_get(key, branch)
        limits = services.tolerance_limits(branch=branch, standard_key=key)
        return Response({**StandardOut(brought).data, "limits": LimitOut(limits, many=True).data})

    def _branch(self) -> Branch | None:
        branch_id = branch_from_query(self.request.query_params)
        if branch_id is None:
            return None
        return branch_get_for(self.actor, branch_id, permission=CalculatorPermission.VIEW)


def branch_from_query(query: QueryDict) -> uuid.UUID | None:
    """The branch named in the address, if one is. Raises Invalid for text that is no id."""
    text = query.get("branch")
    if text is None:
        return None
    try:
        return uuid.UUID(text)
    except ValueError as error:
        raise Invalid(f"{text!r} is no id of a branch.", field="branch", allowed="a UUID") from error


routes = [
    ("calculators", CalculatorViewSet),
    ("plugins", PluginViewSet),
    ("tolerance-standards", ToleranceStandardViewSet),
]
