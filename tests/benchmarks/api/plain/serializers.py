from typing import Any

from rest_framework import serializers

from .. import trade
from . import models as m


class Model(serializers.ModelSerializer):
    """With what every shape here needs: fields told by name."""


class RefusalOut(Model):
    class Meta:
        model, fields = m.Refusal, ["way", "purpose"]


class CustomerOut(Model):
    refusals = RefusalOut(many=True, read_only=True)
    wrong_addresses = serializers.SlugRelatedField("way", many=True, read_only=True)
    to_confirm = serializers.SerializerMethodField()
    is_merged = serializers.SerializerMethodField()
    is_restricted = serializers.SerializerMethodField()

    class Meta:
        model = m.Customer
        fields = [
            "id",
            "branch",
            "given_name",
            "family_name",
            "birth_date",
            "email",
            "phone",
            "phone_e164",
            "address",
            "postcode",
            "country",
            "language",
            "guardian",
            "is_sight_impaired",
            "preferred_channel",
            "wants_recalls",
            "wants_marketing",
            "refusals",
            "wrong_addresses",
            "deceased_on",
            "moved_away_on",
            "contact_confirmed_on",
            "to_confirm",
            "is_merged",
            "is_restricted",
            "merged_into",
            "note",
            "created_at",
            "version",
        ]
        read_only_fields = ["id", "created_at", "version", "guardian", "merged_into"]

    def get_to_confirm(self, customer: m.Customer) -> str:
        return ""

    def get_is_merged(self, customer: m.Customer) -> bool:
        return customer.merged_into_id is not None

    def get_is_restricted(self, customer: m.Customer) -> bool:
        return customer.restricted_at is not None


class NearDuplicateOut(Model):
    class Meta:
        model, fields = m.Customer, ["id", "given_name", "family_name", "birth_date", "phone", "email"]


class PrismOut(Model):
    class Meta:
        model, fields = m.PrescribedPrism, ["amount_dpt", "base", "base_deg"]


class FormOut(serializers.Serializer):
    sphere_dpt = serializers.DecimalField(5, 2)
    cylinder_dpt = serializers.DecimalField(5, 2)
    axis_deg = serializers.IntegerField(allow_null=True)


class ComputedOut(serializers.Serializer):
    minus_cylinder = FormOut(allow_null=True)
    plus_cylinder = FormOut(allow_null=True)
    spherical_equivalent_dpt = serializers.DecimalField(6, 3, allow_null=True)
    prism_in_dpt = serializers.DecimalField(6, 2)
    prism_up_dpt = serializers.DecimalField(6, 2)


class EyeOut(Model):
    prism = PrismOut(source="prisms", many=True)
    computed = serializers.SerializerMethodField()

    class Meta:
        model = m.PrescribedEye
        fields = ["entry", "sphere_dpt", "cylinder_dpt", "axis_deg", "addition_dpt", "prism", "computed"]

    def get_computed(self, eye: m.PrescribedEye) -> Any:
        prism_in, prism_up = trade.prisms(eye.eye, [(each.amount_dpt, each.base) for each in eye.prisms.all()])
        found = trade.forms(eye.sphere_dpt, eye.cylinder_dpt, eye.axis_deg)
        return ComputedOut({**found, "prism_in_dpt": prism_in, "prism_up_dpt": prism_up}).data


class OverrideOut(Model):
    class Meta:
        model = m.DispensingOverride
        fields = ["id", "prescription", "reason", "granted_by", "valid_until", "created_at"]


class PrescriberOut(serializers.Serializer):
    name = serializers.CharField(source="prescriber_name")
    registration = serializers.CharField(source="prescriber_registration")
    practice = serializers.CharField(source="prescriber_practice")


class PrescriptionOut(Model):
    prescriber = PrescriberOut(source="*")
    right = serializers.SerializerMethodField()
    left = serializers.SerializerMethodField()
    status = serializers.SerializerMethodField()
    days_left = serializers.SerializerMethodField()
    superseded_by = serializers.PrimaryKeyRelatedField(read_only=True)
    overrides = OverrideOut(many=True)

    class Meta:
        model = m.Prescription
        fields = [
            "id",
            "branch",
            "customer",
            "purpose",
            "issued_on",
            "expires_on",
            "expiry_source",
            "prescriber",
            "recall_months",
            "vertex_distance_mm",
            "note",
            "right",
            "left",
            "status",
            "days_left",
            "supersedes",
            "superseded_by",
            "amendment_reason",
            "overrides",
            "recorded_by",
            "created_at",
        ]

    def get_right(self, prescription: m.Prescription) -> Any:
        return EyeOut(next(eye for eye in prescription.eyes.all() if eye.eye == "right")).data

    def get_left(self, prescription: m.Prescription) -> Any:
        return EyeOut(next(eye for eye in prescription.eyes.all() if eye.eye == "left")).data

    def get_status(self, prescription: m.Prescription) -> str:
        if hasattr(prescription, "superseded_by"):
            return "superseded"
        return "current" if self.get_days_left(prescription) >= 0 else "expired"

    def get_days_left(self, prescription: m.Prescription) -> int:
        return (prescription.expires_on - trade.today(prescription.branch.time_zone)).days


class LensOut(Model):
    sku = serializers.CharField(source="product.sku")

    class Meta:
        model = m.OrderedLens
        fields = [
            "eye",
            "product",
            "sku",
            "sphere_dpt",
            "cylinder_dpt",
            "axis_deg",
            "addition_dpt",
            "prism_in_dpt",
            "prism_up_dpt",
            "centration_distance_mm",
            "centration_height_mm",
            "is_special_order",
        ]


class LineOut(Model):
    price_list = serializers.UUIDField(source="price_list_id")

    class Meta:
        model = m.OrderLine
        fields = [
            "position",
            "kind",
            "eye",
            "sku",
            "description",
            "quantity",
            "unit_price",
            "discount",
            "discount_reason",
            "gross",
            "tax_category",
            "tax_rate_percent",
            "tax",
            "price_list",
            "reasons",
        ]


class PromiseOut(Model):
    made_by_name = serializers.CharField(source="made_by", allow_null=True)

    class Meta:
        model, fields = m.Promise, ["promised_on", "reason", "basis", "made_at", "made_by", "made_by_name"]


class OrderOut(Model):
    promises = PromiseOut(many=True)
    lenses = LensOut(many=True)
    lines = LineOut(many=True)
    replaced_by = serializers.PrimaryKeyRelatedField(source="replacements", many=True, read_only=True)
    is_late = serializers.SerializerMethodField()
    measurement = serializers.UUIDField(source="measurement_id")
    quotation = serializers.UUIDField(source="quotation_id")

    class Meta:
        model = m.Order
        fields = [
            "id",
            "branch",
            "number",
            "customer",
            "prescription",
            "measurement",
            "frame",
            "frame_is_customers",
            "purpose",
            "state",
            "placed_at",
            "promised_on",
            "is_late",
            "promises",
            "replaces",
            "replacement_reason",
            "replaced_by",
            "ready_at",
            "collected_at",
            "cancelled_reason",
            "currency",
            "total",
            "tax_total",
            "promotion_code",
            "quotation",
            "lenses",
            "lines",
            "computation",
            "warnings",
            "note",
            "version",
        ]

    def get_is_late(self, order: m.Order) -> bool:
        return order.state in ("placed", "in_workshop") and order.promised_on < trade.today(order.branch.time_zone)


class StepOut(Model):
    label = serializers.SerializerMethodField()
    started_by_name = serializers.CharField(source="started_by", allow_null=True)
    by_name = serializers.CharField(source="by", allow_null=True)

    class Meta:
        model = m.JobStep
        fields = [
            "position",
            "kind",
            "label",
            "state",
            "started_at",
            "started_by",
            "started_by_name",
            "done_at",
            "by",
            "by_name",
            "note",
        ]

    def get_label(self, step: m.JobStep) -> str:
        return trade.LABELS[step.kind]


class ReadingOut(Model):
    read_by_name = serializers.CharField(source="read_by", allow_null=True)
    instrument = serializers.UUIDField(source="instrument_id")

    class Meta:
        model = m.LensReading
        fields = [
            "id",
            "eye",
            "sphere_dpt",
            "cylinder_dpt",
            "axis_deg",
            "addition_dpt",
            "prism_in_dpt",
            "prism_up_dpt",
            "outcome",
            "standard",
            "standard_version",
            "verdict",
            "instrument",
            "instrument_flag",
            "of_current_lens",
            "read_at",
            "read_by",
            "read_by_name",
        ]


class BreakageOut(Model):
    by_name = serializers.CharField(source="by", allow_null=True)

    class Meta:
        model = m.Breakage
        fields = [
            "id",
            "eye",
            "step",
            "cause",
            "borne_by",
            "reason",
            "replaced",
            "cost",
            "currency",
            "by",
            "by_name",
            "created_at",
        ]


class BenchLensOut(Model):
    sku = serializers.CharField(source="product.sku")
    name = serializers.CharField(source="product.name")
    kind = serializers.CharField(source="product.kind")

    class Meta:
        model = m.OrderedLens
        fields = ["eye", "sku", "name", "kind", *LensOut.Meta.fields[3:]]


class FrameOut(Model):
    class Meta:
        model = m.Frame
        fields = [
            "sku",
            "name",
            "colour",
            "material",
            "mount",
            "box_width_mm",
            "box_height_mm",
            "bridge_mm",
            "effective_diameter_mm",
        ]


class JobOut(Model):
    tray_code = serializers.CharField(source="number")
    holder_name = serializers.CharField(source="holder", allow_null=True)
    bench_code = serializers.CharField(source="bench.code", allow_null=True, default=None)
    order_number = serializers.CharField(source="order.number")
    frame_name = serializers.CharField(source="order.frame.name")
    is_late = serializers.SerializerMethodField()
    next = serializers.SerializerMethodField()

    class Meta:
        model = m.Job
        fields = [
            "id",
            "branch",
            "number",
            "order",
            "order_number",
            "frame_name",
            "attempt",
            "state",
            "stop_reason",
            "remake_reason",
            "remake_cause",
            "remake_borne_by",
            "remake_cost",
            "awaits_frame",
            "eyes",
            "awaited_eyes",
            "cut_eyes",
            "promised_on",
            "is_late",
            "holder",
            "holder_name",
            "held_since",
            "bench",
            "bench_code",
            "tray_code",
            "finished_at",
            "created_at",
            "next",
            "version",
        ]

    def get_is_late(self, job: m.Job) -> bool:
        return job.state in trade.LIVE and job.promised_on < trade.today(job.branch.time_zone)

    def get_next(self, job: m.Job) -> Any:
        steps = [(step.kind, step.state) for step in job.steps.all()]
        return trade.next_of(job.state, job.awaited_eyes, job.awaits_frame, job.stop_reason, steps)


class JobInFullOut(JobOut):
    allowed_moves = serializers.SerializerMethodField()
    steps = StepOut(many=True)
    readings = ReadingOut(many=True)
    breakages = BreakageOut(many=True)
    lenses = BenchLensOut(source="order.lenses", many=True)
    frame = FrameOut(source="order.frame")
    frame_is_customers = serializers.BooleanField(source="order.frame_is_customers")

    class Meta(JobOut.Meta):
        fields = [
            *JobOut.Meta.fields,
            "allowed_moves",
            "steps",
            "readings",
            "breakages",
            "lenses",
            "frame",
            "frame_is_customers",
        ]

    def get_allowed_moves(self, job: m.Job) -> list[str]:
        return trade.MOVES[job.state]


class ItemOut(Model):
    sku = serializers.SerializerMethodField()
    description = serializers.SerializerMethodField()

    class Meta:
        model, fields = m.StockItem, ["id", "kind", "frame", "lens", "sphere_dpt", "cylinder_dpt", "sku", "description"]

    def get_sku(self, item: m.StockItem) -> str:
        return (item.frame or item.lens).sku

    def get_description(self, item: m.StockItem) -> str:
        name = (item.frame or item.lens).name
        return name if item.sphere_dpt is None else f"{name} {item.sphere_dpt:+.2f} / {item.cylinder_dpt:+.2f}"


class LotOut(Model):
    item = ItemOut()
    available = serializers.SerializerMethodField()

    class Meta:
        model = m.Lot
        fields = [
            "id",
            "branch",
            "item",
            "code",
            "unit_cost",
            "on_hand",
            "reserved",
            "available",
            "in_transit",
            "is_quarantined",
            "quarantine_reason",
            "created_at",
        ]

    def get_available(self, lot: m.Lot) -> int:
        return 0 if lot.is_quarantined else lot.on_hand - lot.reserved


class ReceiptOut(Model):
    class Meta:
        model, fields = m.Receipt, ["id", "number"]


class PaymentOut(Model):
    receipt = ReceiptOut(read_only=True)
    till_day = serializers.UUIDField(source="till_day_id")
    voucher = serializers.UUIDField(source="voucher_id")

    class Meta:
        model = m.Payment
        fields = [
            "id",
            "branch",
            "order",
            "kind",
            "method",
            "amount",
            "currency",
            "reference",
            "refunds",
            "reason",
            "till_day",
            "voucher",
            "lowers_price",
            "taken_at",
            "taken_by",
            "receipt",
        ]
