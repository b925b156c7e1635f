from __future__ import annotations

from decimal import Decimal
from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_field, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, UnitDecimalField
from opticshop.core.showing import shown
from opticshop.stock.models import Lot
from opticshop.stock.serializers import StockItemOut

from .models import Acceptance, ReplenishmentLine, ReplenishmentRun
from .parameters import Parameters
from .simulating import Outcome

_BRANCH = "01890a5d-ac96-774b-bcce-b302099a8057"
_LENS = "01890a5d-ac96-774b-bcce-b302099a8058"
_LINE = "01890a5d-ac96-774b-bcce-b302099a8059"
KINDS = [("fill", "Share of pieces found in the drawer"), ("cycle", "Share of order cycles without a shortage")]


def _power(**kwargs: Any) -> UnitDecimalField:
    return UnitDecimalField(unit="dioptres", max_digits=5, decimal_places=2, **kwargs)


def _money(**kwargs: Any) -> UnitDecimalField:
    return UnitDecimalField(unit="the branch's currency, without tax", max_digits=12, decimal_places=2, **kwargs)


class PolicyIn(StrictSerializer):
    """What is aimed at; every value has a default."""

    service_level = serializers.DecimalField(
        max_digits=5,
        decimal_places=4,
        min_value=Decimal("0.5"),
        max_value=Decimal("0.9999"),
        default=Decimal("0.95"),
        help_text="As a share: 0.95.",
    )
    service_kind = serializers.ChoiceField(KINDS, default="fill")
    history_weeks = serializers.IntegerField(
        min_value=4, max_value=260, default=52, help_text="Whole weeks of history that levels are learned from."
    )
    review_days = serializers.IntegerField(min_value=1, max_value=90, default=7, help_text="How often you order.")
    lead_days = serializers.IntegerField(
        min_value=0, max_value=180, default=7, help_text="Calendar days to a delivery, where no supplier says."
    )
    cover_days = serializers.IntegerField(
        min_value=0, max_value=180, default=0, help_text="How long an order should last beyond the level."
    )

    @staticmethod
    def parameters_from(body: dict[str, Any]) -> Parameters:
        """Takes the fields of the policy out of a validated body."""
        return Parameters(
            service=body.pop("service_level"),
            kind=body.pop("service_kind"),
            weeks=body.pop("history_weeks"),
            review_days=body.pop("review_days"),
            lead_days=body.pop("lead_days"),
            cover_days=body.pop("cover_days"),
            transfers=body.pop("use_transfers", True),
        )


@extend_schema_serializer(
    examples=[
        OpenApiExample("One branch", value={"branches": [_BRANCH], "service_level": "0.95", "budget": "400.00"}),
    ]
)
class RunIn(PolicyIn):
    branches = serializers.ListField(
        child=serializers.UUIDField(), min_length=1, max_length=200, help_text="Surplus is sent only among these."
    )
    lenses = serializers.ListField(
        child=serializers.UUIDField(),
        required=False,
        max_length=200,
        help_text="Finished single vision products; all that the branches have had in stock when left out.",
    )
    budget = _money(required=False, allow_null=True, min_value=0, help_text="No limit when left out.")
    use_transfers = serializers.BooleanField(default=True, help_text="Surplus of another branch goes before buying.")

    def validate_branches(self, value: list[Any]) -> list[Any]:
        if len(set(value)) < len(value):
            raise serializers.ValidationError("A branch is named twice.", code="twice")
        return value


class RunParametersOut(serializers.Serializer[Any]):
    service_level = serializers.DecimalField(max_digits=5, decimal_places=4)
    service_kind = serializers.ChoiceField(KINDS)
    history_weeks = serializers.IntegerField()
    review_days = serializers.IntegerField()
    lead_days = serializers.IntegerField()
    cover_days = serializers.IntegerField()
    use_transfers = serializers.BooleanField()


class ReplenishmentRunOut(serializers.ModelSerializer[ReplenishmentRun]):
    parameters = RunParametersOut(read_only=True)

    class Meta:
        model = ReplenishmentRun
        fields = [
            "id",
            "branches",
            "lenses",
            "advised_on",
            "currency",
            "parameters",
            "method",
            "budget",
            "cost",
            "cost_without_budget",
            "pieces_to_buy",
            "pieces_to_transfer",
            "by",
            "by_label",
            "created_at",
        ]
        read_only_fields = fields


class AcceptanceOut(serializers.ModelSerializer[Acceptance]):
    class Meta:
        model = Acceptance
        fields = ["buy_quantity", "transfer_quantity", "purchase_order", "transfer", "by", "by_label", "created_at"]
        read_only_fields = fields


class ReplenishmentLineOut(serializers.ModelSerializer[ReplenishmentLine]):
    item = StockItemOut(read_only=True)
    acceptance = serializers.SerializerMethodField(help_text="What became of it; null until somebody accepts it.")

    class Meta:
        model = ReplenishmentLine
        fields = [
            "id",
            "run",
            "branch",
            "item",
            "abc_class",
            "on_hand",
            "available",
            "on_order",
            "in_transit",
            "drafted",
            "position",
            "pieces_used",
            "weeks",
            "weekly_mean",
            "mean_error",
            "dispersion",
            "borrowed",
            "family",
            "lead_days",
            "reorder_point",
            "order_up_to",
            "cycle_service",
            "fill_rate",
            "pack_size",
            "unit_cost",
            "supplier",
            "transfer_from",
            "transfer_quantity",
            "wanted_quantity",
            "buy_quantity",
            "cost",
            "explanation",
            "acceptance",
        ]
        read_only_fields = fields

    @extend_schema_field(AcceptanceOut(allow_null=True))
    def get_acceptance(self, line: ReplenishmentLine) -> Any:
        accepted = getattr(line, "acceptance", None)
        return shown(AcceptanceOut, accepted) if accepted else None


class ChosenIn(StrictSerializer):
    line = serializers.UUIDField()
    buy_quantity = serializers.IntegerField(
        min_value=0, max_value=10_000, required=False, help_text="Pieces; as suggested when left out."
    )
    transfer_quantity = serializers.IntegerField(
        min_value=0, max_value=10_000, required=False, help_text="Pieces, at most as many as suggested."
    )


@extend_schema_serializer(
    examples=[
        OpenApiExample("As suggested", value={"lines": [{"line": _LINE}]}),
        OpenApiExample("Fewer", value={"lines": [{"line": _LINE, "buy_quantity": 2}]}),
    ]
)
class AcceptIn(StrictSerializer):
    lines = ChosenIn(many=True, min_length=1, max_length=5000)  # type: ignore[call-arg]

    def validate_lines(self, value: list[dict[str, Any]]) -> list[dict[str, Any]]:
        if len({choice["line"] for choice in value}) < len(value):
            raise serializers.ValidationError("A line is named twice.", code="twice")
        return value


class AcceptedOut(serializers.Serializer[Any]):
    """The drafts that were made; nothing is sent before somebody sends it."""

    run = serializers.UUIDField(source="run.id")
    lines = serializers.IntegerField(help_text="How many were accepted.")
    purchase_orders = serializers.ListField(child=serializers.UUIDField(), source="purchase_order_ids")
    transfers = serializers.ListField(child=serializers.UUIDField(), source="transfer_ids")


@extend_schema_serializer(examples=[OpenApiExample("Some lines", value={"lines": [_LINE]})])
class LevelsIn(StrictSerializer):
    lines = serializers.ListField(child=serializers.UUIDField(), min_length=1, max_length=5000)


class LevelsOut(serializers.Serializer[Any]):
    run = serializers.UUIDField()
    changed = serializers.IntegerField(help_text="Levels that were not so already.")


class TakenIn(StrictSerializer):
    sphere_dpt = _power(help_text="In either cylinder form.")
    cylinder_dpt = _power(required=False, help_text="In either form; 0 when left out.")
    on = serializers.DateField()
    quantity = serializers.IntegerField(min_value=1, max_value=1000)


@extend_schema_serializer(
    examples=[
        OpenApiExample("The last half year", value={"branch": _BRANCH, "service_level": "0.95", "replay_weeks": 26}),
        OpenApiExample(
            "History of your own",
            value={
                "branch": _BRANCH,
                "lenses": [_LENS],
                "history_weeks": 4,
                "replay_weeks": 1,
                "history": [
                    {"sphere_dpt": "-2.00", "cylinder_dpt": "-0.50", "on": "2026-01-05", "quantity": 2},
                    {"sphere_dpt": "-2.00", "cylinder_dpt": "-0.50", "on": "2026-01-28", "quantity": 1},
                ],
            },
        ),
    ]
)
class SimulationIn(PolicyIn):
    branch = serializers.UUIDField()
    lenses = serializers.ListField(child=serializers.UUIDField(), required=False, max_length=50)
    replay_weeks = serializers.IntegerField(min_value=1, max_value=104, default=26)
    baseline_level = serializers.IntegerField(
        min_value=0, max_value=100, default=2, help_text="Compared with: so many of every power in the range."
    )
    demand = serializers.ChoiceField(
        [("history", "What was used"), ("drawn", "Drawn at random from the demand models")], default="history"
    )
    seed = serializers.IntegerField(min_value=0, max_value=2**31 - 1, default=0, help_text="Of the drawing.")
    customers_wait = serializers.BooleanField(
        default=True, help_text="Who finds nothing is served from the next delivery; otherwise the piece is never used."
    )
    history = TakenIn(many=True, required=False, max_length=5000, min_length=1)  # type: ignore[call-arg]

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if "history" in attrs and len(attrs.get("lenses", [])) != 1:
            raise serializers.ValidationError({"lenses": ["A history given is of exactly one lens."]}, code="one_lens")
        return attrs


class OutcomeOut(serializers.Serializer[Outcome]):
    asked = serializers.IntegerField(help_text="Pieces.")
    filled = serializers.IntegerField(help_text="Pieces that were in the drawer when asked for.")
    fill_rate = serializers.FloatField()
    stock_out_days = serializers.IntegerField(help_text="Days of a power on which somebody went without.")
    cells_short = serializers.IntegerField(help_text="Powers that were ever short.")
    cells_kept = serializers.IntegerField(help_text="Powers that the policy keeps.")
    average_pieces = serializers.FloatField()
    average_value = serializers.FloatField(help_text="Money tied up on the average day.")
    orders = serializers.IntegerField(help_text="Days on which anything was ordered.")
    order_lines = serializers.IntegerField()
    pieces_ordered = serializers.IntegerField()


class SimulationOut(serializers.Serializer[Any]):
    branch = serializers.UUIDField(source="branch.id")
    since = serializers.DateField()
    until = serializers.DateField(help_text="The day after the last one replayed.")
    fitted_weeks = serializers.IntegerField(help_text="Before the replay; levels were learned from these only.")
    powers = serializers.IntegerField(help_text="In the range of the lenses.")
    powers_without_cost = serializers.IntegerField(help_text="Valued at nothing, since no cost is known.")
    baseline_level = serializers.IntegerField()
    demand = serializers.CharField()
    seed = serializers.IntegerField()
    customers_wait = serializers.BooleanField()
    predicted_fill_rate = serializers.FloatField(help_text="Expected of the computed levels, over all powers.")
    currency = serializers.CharField()
    policy = OutcomeOut()
    baseline = OutcomeOut()
    sentence = serializers.CharField()


class ClassesQueryIn(StrictSerializer):
    branch = serializers.UUIDField()
    weeks = serializers.IntegerField(min_value=1, max_value=260, default=52)


class ClassSummaryOut(serializers.Serializer[Any]):
    abc_class = serializers.CharField()
    items = serializers.IntegerField()
    pieces = serializers.IntegerField()
    value = _money()
    share_percent = serializers.DecimalField(max_digits=5, decimal_places=1)


class ClassifiedOut(serializers.Serializer[Any]):
    item = StockItemOut()
    pieces = serializers.IntegerField()
    value = _money()
    abc_class = serializers.CharField()


class ClassesOut(serializers.Serializer[Any]):
    branch = serializers.UUIDField()
    since = serializers.DateField()
    until = serializers.DateField(help_text="The day after the last.")
    classes = ClassSummaryOut(many=True)
    items = ClassifiedOut(many=True, help_text="Most value first; what did not move at all is not named.")


class DeadStockOut(serializers.ModelSerializer[Lot]):
    lot = serializers.UUIDField(source="id", read_only=True)
    item = StockItemOut(read_only=True)
    value = serializers.SerializerMethodField(help_text="What lies there, at cost.")
    last_taken_at = serializers.DateTimeField(
        read_only=True, allow_null=True, help_text="When the item was last used at the branch; null: never."
    )

    class Meta:
        model = Lot
        fields = ["lot", "branch", "item", "code", "on_hand", "unit_cost", "value", "created_at", "last_taken_at"]
        read_only_fields = fields

    @extend_schema_field(_money())
    def get_value(self, lot: Lot) -> str:
        return str(lot.on_hand * lot.unit_cost)
