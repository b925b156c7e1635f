from __future__ import annotations

import uuid

import django_filters
from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.branches.models import Branch
from opticshop.branches.selectors import branch_get_for
from opticshop.core.api import ApiViewSet, Lists, ResourceViewSet
from opticshop.core.errors import NotFound
from opticshop.core.filters import YesNoFilter

from . import selectors, services
from .kinds import InstrumentKind, Quantity
from .models import CheckPiece, CheckReading, Instrument, InstrumentPolicy
from .permissions import InstrumentPermission
from .serializers import (
    CheckOut,
    CheckPieceAddIn,
    CheckPieceChangeIn,
    CheckPieceOut,
    CheckRecordIn,
    InstrumentAddIn,
    InstrumentChangeIn,
    InstrumentKindOut,
    InstrumentOut,
    InstrumentPolicyIn,
    InstrumentPolicyOut,
    kinds_shown,
)

VIEW, CHECK, MANAGE = InstrumentPermission.VIEW, InstrumentPermission.CHECK, InstrumentPermission.MANAGE


def key_in(text: str, noun: str) -> uuid.UUID:
    """The key in an address. Raises NotFound for a text that is none."""
    try:
        return uuid.UUID(text)
    except ValueError as error:
        raise NotFound(f"There is no {noun} {text} here.", field=noun) from error


class InstrumentFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    kind = django_filters.ChoiceFilter(choices=InstrumentKind.choices)
    in_service = YesNoFilter(field_name="in_service")

    class Meta:
        model = Instrument
        fields: list[str] = []


class InstrumentViewSet(ResourceViewSet):
    """What the shop measures and makes with. Whether an instrument is in calibration is computed from its checks."""

    tag, noun = "Instruments", "instrument"
    selector = staticmethod(selectors.instruments_visible_to)
    filterset_class = InstrumentFilter
    permissions = {
        "list": VIEW,
        "retrieve": VIEW,
        "kinds": VIEW,
        "create": MANAGE,
        "partial_update": MANAGE,
    }
    inputs = {"create": InstrumentAddIn, "partial_update": InstrumentChangeIn}
    outputs = {"kinds": InstrumentKindOut}
    output = InstrumentOut
    summaries = {
        "list": "Find instruments, with their state of calibration",
        "retrieve": "Get one instrument",
        "kinds": "What is checked on each kind of instrument, how often, and how far it may be off",
        "create": "Enter an instrument",
        "partial_update": "Change an instrument, or take it out of service or back",
    }

    @extend_schema(responses=InstrumentKindOut(many=True))
    @action(detail=False, methods=["get"], pagination_class=None, filterset_class=None)
    def kinds(self, request: Request) -> Response:
        return Response(InstrumentKindOut(kinds_shown(), many=True).data)

    def create(self, request: Request) -> Response:
        body = self.read_input()
        branch = branch_get_for(self.actor, body.pop("branch"), permission=MANAGE)
        return self.answer(services.instrument_add(actor=self.actor, branch=branch, **body), status=201)

    def partial_update(self, request: Request, pk: str) -> Response:
        instrument, version = self.get_object(), self.expected_version()
        changed = services.instrument_change(
            actor=self.actor, instrument=instrument, version=version, changes=self.read_input()
        )
        return self.answer(changed)


class CheckFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    instrument = django_filters.UUIDFilter(field_name="instrument_id")
    piece = django_filters.UUIDFilter(field_name="piece_id")
    quantity = django_filters.ChoiceFilter(choices=Quantity.choices)
    outcome = django_filters.ChoiceFilter(choices=CheckReading.Outcome.choices)

    class Meta:
        model = CheckReading
        fields: list[str] = []


class CheckViewSet(ResourceViewSet):
    """Checks as they were recorded; nothing of them is ever changed."""

    tag, noun = "Instruments", "instrument check"
    selector = staticmethod(selectors.checks_visible_to)
    filterset_class = CheckFilter
    permissions = {"list": VIEW, "retrieve": VIEW}
    output = CheckOut
    summaries = {"list": "Find checks of instruments", "retrieve": "Get one check"}


class ChecksOfInstrumentViewSet(Lists):
    """The checks of one instrument, and the place to record another."""

    tag, noun = "Instruments", "check of instrument"
    queryset = CheckReading.objects.none()
    filterset_class = None
    permissions = {"list": VIEW, "create": CHECK}
    inputs = {"create": CheckRecordIn}
    output = CheckOut
    idempotent = {"create": "optional"}
    summaries = {
        "list": "The checks of an instrument, newest first",
        "create": "Record a reading of a check piece; the answer is the judgement",
    }

    def get_queryset(self) -> QuerySet[CheckReading]:
        if getattr(self, "swagger_fake_view", False):
            return self._model_for_schema()
        return selectors.checks_visible_to(self.actor).filter(instrument=self._instrument())

    def create(self, request: Request, instrument_id: str) -> Response:
        instrument, body = self._instrument(), self.read_input()
        piece = selectors.piece_get_for(self.actor, body.pop("piece"))
        check = services.check_record(actor=self.actor, instrument=instrument, piece=piece, **body)
        return self.answer(check, status=201)

    def _instrument(self) -> Instrument:
        return selectors.instrument_get_for(self.actor, key_in(self.kwargs["instrument_id"], "instrument"))


class CheckPieceFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    quantity = django_filters.ChoiceFilter(choices=Quantity.choices)
    is_active = YesNoFilter(field_name="is_active")

    class Meta:
        model = CheckPiece
        fields: list[str] = []


class CheckPieceViewSet(ResourceViewSet):
    """Test lenses, prisms, rings and rules of known value."""

    tag, noun = "Instruments", "check piece"
    selector = staticmethod(selectors.pieces_visible_to)
    filterset_class = CheckPieceFilter
    permissions = {"list": VIEW, "retrieve": VIEW, "create": MANAGE, "partial_update": MANAGE}
    inputs = {"create": CheckPieceAddIn, "partial_update": CheckPieceChangeIn}
    output = CheckPieceOut
    summaries = {
        "list": "Find check pieces",
        "retrieve": "Get one check piece",
        "create": "Enter a check piece",
        "partial_update": "Change a check piece's certificate or limit, or retire it",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        branch = branch_get_for(self.actor, body.pop("branch"), permission=MANAGE)
        return self.answer(services.piece_add(actor=self.actor, branch=branch, **body), status=201)

    def partial_update(self, request: Request, pk: str) -> Response:
        piece, version = self.get_object(), self.expected_version()
        return self.answer(
            services.piece_change(actor=self.actor, piece=piece, version=version, changes=self.read_input())
        )


class InstrumentPolicyViewSet(ApiViewSet):
    """What a branch does with instruments that are overdue or failed; addressed by the branch."""

    tag, noun = "Instruments", "instrument policy"
    queryset = InstrumentPolicy.objects.none()
    permissions = {"retrieve": VIEW, "partial_update": MANAGE}
    inputs = {"partial_update": InstrumentPolicyIn}
    output = InstrumentPolicyOut
    summaries = {
        "retrieve": "Get a branch's policy for instruments out of calibration",
        "partial_update": "Flag or block instruments out of calibration",
    }

    def retrieve(self, request: Request, pk: str) -> Response:
        return self.answer(selectors.policy_of(self._branch(pk, VIEW)))

    def partial_update(self, request: Request, pk: str) -> Response:
        branch = self._branch(pk, MANAGE)
        version = self.expected_version()
        return self.answer(services.policy_set(actor=self.actor, branch=branch, version=version, **self.read_input()))

    def current_version(self) -> int:
        return selectors.policy_of(self._branch(self.kwargs["pk"], VIEW)).version

    def _branch(self, pk: str, permission: str) -> Branch:
        return branch_get_for(self.actor, key_in(pk, "branch"), permission=permission)


routes = [
    ("instruments", InstrumentViewSet),
    (r"instruments/(?P<instrument_id>[0-9a-fA-F-]{36})/checks", ChecksOfInstrumentViewSet),
    ("instrument-checks", CheckViewSet),
    ("check-pieces", CheckPieceViewSet),
    ("instrument-policies", InstrumentPolicyViewSet),
]
