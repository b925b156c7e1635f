from __future__ import annotations

from decimal import Decimal
from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_field, extend_schema_serializer
from rest_framework import serializers

from opticshop.catalogue.models import Frame
from opticshop.core import clock
from opticshop.core.serializers import StrictSerializer, TextField, UnitDecimalField
from opticshop.core.showing import shown
from opticshop.orders import causes
from opticshop.orders.models import OrderedLens

from . import selectors
from .models import JOB_MOVES, Bench, Breakage, Job, JobState, JobStep, LensReading, StepKind

EYES = ["right", "left"]
_ID = "01890a5d-ac96-774b-bcce-b302099a8057"


class NextOut(serializers.Serializer[Any]):
    """What the job needs next."""

    words = serializers.CharField()
    step = serializers.CharField(allow_null=True)
    requests = serializers.ListField(
        child=serializers.CharField(), help_text="What can be posted now, below the address of the job"
    )


class StepOut(serializers.ModelSerializer[JobStep]):
    label = serializers.CharField(source="get_kind_display", read_only=True)  # type: ignore[assignment]
    started_by_name = serializers.CharField(source="started_by", read_only=True, allow_null=True)
    by_name = serializers.CharField(source="by", read_only=True, allow_null=True)

    class Meta:
        model = JobStep
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
        read_only_fields = fields


class VerdictLineOut(serializers.Serializer[Any]):
    """One parameter of one lens or of the pair."""

    parameter = serializers.CharField()
    eye = serializers.CharField(help_text="right, left or pair")
    outcome = serializers.ChoiceField(["pass", "fail", "undecided", "not_applicable", "not_measured"])
    unit = serializers.CharField()
    reason = serializers.CharField()
    ordered = serializers.CharField(allow_null=True)
    measured = serializers.CharField(allow_null=True)
    deviation = serializers.CharField(allow_null=True, help_text="Measured minus ordered")
    limit = serializers.CharField(allow_null=True, help_text="Symmetric and inclusive; null where none is stated")
    clause = serializers.CharField()
    confidence = serializers.CharField(allow_null=True, help_text="How well the limit is known")
    source = serializers.CharField()  # type: ignore[assignment]
    reading_conforms = serializers.BooleanField(allow_null=True)
    near_limit = serializers.BooleanField()
    expanded_uncertainty = serializers.CharField(allow_null=True)
    probability_of_conformity = serializers.FloatField(allow_null=True)
    note = serializers.CharField()


class VerdictOut(serializers.Serializer[Any]):
    """The verdict as the tolerance standard gave it."""

    outcome = serializers.ChoiceField(["pass", "fail", "undecided", "incomplete"])
    standard_key = serializers.CharField()
    standard_title = serializers.CharField()
    lines = VerdictLineOut(many=True)
    missing = serializers.ListField(child=serializers.CharField())
    leaned_on_unconfirmed = serializers.BooleanField(
        help_text="A limit was used that was not read in a text of the standard: no claim of conformity"
    )
    notes = serializers.ListField(child=serializers.CharField())


class ReadingOut(serializers.ModelSerializer[LensReading]):
    verdict = VerdictOut(read_only=True)
    read_by_name = serializers.CharField(source="read_by", read_only=True, allow_null=True)

    class Meta:
        model = LensReading
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
        read_only_fields = fields


class BreakageOut(serializers.ModelSerializer[Breakage]):
    by_name = serializers.CharField(source="by", read_only=True, allow_null=True)

    class Meta:
        model = Breakage
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
        read_only_fields = fields


class BenchLensOut(serializers.ModelSerializer[OrderedLens]):
    """The lens to make: power to supply in dioptres, minus-cylinder form; centration in mm."""

    sku = serializers.CharField(source="product.sku", read_only=True)
    name = serializers.CharField(source="product.name", read_only=True)
    kind = serializers.CharField(source="product.kind", read_only=True)

    class Meta:
        model = OrderedLens
        fields = [
            "eye",
            "sku",
            "name",
            "kind",
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
        read_only_fields = fields


class BenchFrameOut(serializers.ModelSerializer[Frame]):
    class Meta:
        model = Frame
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
        read_only_fields = fields


class BenchOut(serializers.ModelSerializer[Bench]):
    class Meta:
        model = Bench
        fields = ["id", "branch", "code", "name", "is_active", "version"]
        read_only_fields = fields


class JobOut(serializers.ModelSerializer[Job]):
    tray_code = serializers.CharField(source="number", read_only=True, help_text="What the tray label holds")
    holder_name = serializers.CharField(source="holder", read_only=True, allow_null=True)
    bench_code = serializers.CharField(source="bench.code", read_only=True, allow_null=True, default=None)
    is_late = serializers.SerializerMethodField(help_text="Promised for a day that has passed, and still to be done")
    order_number = serializers.CharField(source="order.number", read_only=True)
    frame_name = serializers.CharField(source="order.frame.name", read_only=True)
    next = serializers.SerializerMethodField()

    class Meta:
        model = Job
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
        read_only_fields = fields
        extra_kwargs = {
            "eyes": {"help_text": "The eyes whose lenses are made in this attempt"},
            "awaited_eyes": {"help_text": "Of these, the ones whose lens is not there yet"},
            "cut_eyes": {"help_text": "The eyes whose present lens has begun to be cut"},
        }

    def get_is_late(self, job: Job) -> bool:
        return selectors.is_late(job, clock.today(job.branch.time_zone))

    @extend_schema_field(NextOut)
    def get_next(self, job: Job) -> Any:
        return shown(NextOut, selectors.what_next(job))


class BoardRowOut(serializers.Serializer[Any]):
    """One job on the board, with what tells it apart on a full bench."""

    id = serializers.UUIDField(source="job.id")
    number = serializers.CharField(source="job.number", help_text="Also the code of its tray label")
    order_number = serializers.CharField(source="job.order.number")
    frame_name = serializers.CharField(source="job.order.frame.name")
    attempt = serializers.IntegerField(source="job.attempt", help_text="2 and more: made again")
    state = serializers.ChoiceField(JobState.choices, source="job.state")
    promised_on = serializers.DateField(source="job.promised_on")
    is_late = serializers.BooleanField()
    days_left = serializers.IntegerField(help_text="Days to the promise; negative when it has passed")
    step = serializers.CharField(source="step.kind", allow_null=True, default=None)
    step_state = serializers.CharField(
        source="step.state", allow_null=True, default=None, help_text="pending or started"
    )
    started_at = serializers.DateTimeField(source="step.started_at", allow_null=True, default=None)
    started_by_name = serializers.CharField(source="step.started_by", allow_null=True, default=None)
    holder = serializers.UUIDField(source="job.holder_id", allow_null=True)
    holder_name = serializers.CharField(source="job.holder", allow_null=True)
    held_since = serializers.DateTimeField(source="job.held_since", allow_null=True)
    bench = serializers.UUIDField(source="job.bench_id", allow_null=True)
    bench_code = serializers.CharField(source="job.bench.code", allow_null=True, default=None)
    awaited_eyes = serializers.ListField(child=serializers.CharField(), source="job.awaited_eyes")
    stop_reason = serializers.CharField(source="job.stop_reason")


class BoardColumnOut(serializers.Serializer[Any]):
    key = serializers.CharField(help_text="waiting, stopped, or the step that is next")
    label = serializers.CharField()  # type: ignore[assignment]
    rows = BoardRowOut(many=True, help_text="Promised first on top")


class BoardOut(serializers.Serializer[Any]):
    """What is to be done at a branch now."""

    branch = serializers.UUIDField(source="branch.id")
    day = serializers.DateField(help_text="Today at the branch")
    shown = serializers.IntegerField()
    late = serializers.IntegerField()
    due_today = serializers.IntegerField()
    is_cut_short = serializers.BooleanField(help_text="There are more jobs than a board shows")
    columns = BoardColumnOut(many=True)


class BoardAsked(StrictSerializer):
    branch = serializers.UUIDField(required=False, help_text="Needed by who works at several branches")
    holder = serializers.UUIDField(required=False, help_text="Only what this person has in hand")
    mine = serializers.BooleanField(required=False, default=False, help_text="Only what you have in hand")
    bench = serializers.UUIDField(required=False, help_text="Only what lies at this bench")


class JobInFullOut(JobOut):
    allowed_moves = serializers.SerializerMethodField(help_text="States this job may move to from here")
    steps = StepOut(many=True, read_only=True)
    readings = ReadingOut(many=True, read_only=True)
    breakages = BreakageOut(many=True, read_only=True)
    lenses = BenchLensOut(source="order.lenses", many=True, read_only=True)
    frame = BenchFrameOut(source="order.frame", read_only=True)
    frame_is_customers = serializers.BooleanField(source="order.frame_is_customers", read_only=True)

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
        read_only_fields = fields

    def get_allowed_moves(self, job: Job) -> list[str]:
        return sorted(map(str, JOB_MOVES[job.state]))


class LensReadOut(ReadingOut):
    """The reading with its verdict, and what became of the job."""

    job = JobOut(read_only=True)

    class Meta(ReadingOut.Meta):
        fields = [*ReadingOut.Meta.fields, "job"]
        read_only_fields = fields


class LensBrokenOut(BreakageOut):
    job = JobOut(read_only=True)

    class Meta(BreakageOut.Meta):
        fields = [*BreakageOut.Meta.fields, "job"]
        read_only_fields = fields


class _EyesIn(StrictSerializer):
    eyes = serializers.ListField(
        child=serializers.ChoiceField(EYES), required=False, min_length=1, max_length=2, help_text="All by default"
    )


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Left lens made again",
            value={"order": _ID, "remake_reason": "Left lens scratched", "eyes": ["left"]},
        )
    ]
)
class RemakeIn(_EyesIn):
    order = serializers.UUIDField()
    remake_reason = TextField(max_length=300)
    cause = serializers.ChoiceField(causes.ALL, required=False, default="other")
    borne_by = serializers.ChoiceField(
        causes.Bearer.choices, required=False, help_text="Usual for the cause by default"
    )
    branch = serializers.UUIDField(required=False, help_text="Where it is made, if not at the order's branch")


@extend_schema_serializer(examples=[OpenApiExample("All awaited lenses", value={})])
class LensesArrivedIn(_EyesIn):
    pass


@extend_schema_serializer(examples=[OpenApiExample("Without a note", value={})])
class StepNoteIn(StrictSerializer):
    note = TextField(required=False, allow_blank=True, max_length=500, default="")


@extend_schema_serializer(examples=[OpenApiExample("Reason", value={"note": "Edged by the supplier"})])
class StepSkipIn(StrictSerializer):
    note = TextField(max_length=500)


@extend_schema_serializer(examples=[OpenApiExample("Reason", value={"reason": "Frame cracked at the bridge"})])
class JobReasonIn(StrictSerializer):
    reason = TextField(max_length=500)


@extend_schema_serializer(examples=[OpenApiExample("Note", value={"note": "Focimeter was not at zero; read again"})])
class JobResumeIn(StrictSerializer):
    note = TextField(max_length=500)


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Right lens",
            value={"eye": "right", "sphere_dpt": "-2.02", "cylinder_dpt": "-0.50", "axis_deg": 91},
        )
    ]
)
class LensReadIn(StrictSerializer):
    """What the focimeter shows, in either cylinder sign. Without cylinder write 0 and no axis."""

    eye = serializers.ChoiceField(EYES)
    sphere_dpt = UnitDecimalField(unit="dioptres", max_digits=5, min_value=-40, max_value=40)
    cylinder_dpt = UnitDecimalField(unit="dioptres", max_digits=5, min_value=-15, max_value=15, default=Decimal("0.00"))
    axis_deg = serializers.IntegerField(min_value=1, max_value=180, required=False, allow_null=True)
    instrument = serializers.UUIDField(required=False, allow_null=True, help_text="The focimeter it was read on")
    addition_dpt = UnitDecimalField(
        unit="dioptres", max_digits=4, min_value=0, max_value=10, required=False, allow_null=True
    )
    prism_in_dpt = UnitDecimalField(
        unit="prism dioptres at the reference point, base in positive; 0 when none shows",
        max_digits=5,
        min_value=-40,
        max_value=40,
        default=Decimal("0.00"),
    )
    prism_up_dpt = UnitDecimalField(
        unit="prism dioptres at the reference point, base up positive; 0 when none shows",
        max_digits=5,
        min_value=-40,
        max_value=40,
        default=Decimal("0.00"),
    )

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if bool(attrs["cylinder_dpt"]) != (attrs.get("axis_deg") is not None):
            raise serializers.ValidationError(
                {"axis_deg": "A cylinder has an axis, and only a cylinder has one."}, code="axis"
            )
        return attrs


@extend_schema_serializer(
    examples=[OpenApiExample("Chipped", value={"eye": "left", "step": "edge", "reason": "Chipped at the nasal edge"})]
)
class LensBreakIn(StrictSerializer):
    eye = serializers.ChoiceField(EYES)
    step = serializers.ChoiceField(StepKind.choices, help_text="Where it happened")
    reason = TextField(max_length=200)
    cause = serializers.ChoiceField(causes.ALL, required=False, default="other")
    borne_by = serializers.ChoiceField(
        causes.Bearer.choices, required=False, help_text="Usual for the cause by default"
    )


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Snapped",
            value={
                "step": "glaze",
                "reason": "Snapped at the bridge",
                "cause": "frame_snapped",
                "borne_by": "supplier",
            },
        )
    ]
)
class FrameBreakIn(StrictSerializer):
    step = serializers.ChoiceField(StepKind.choices, help_text="Where it happened")
    reason = TextField(max_length=200)
    cause = serializers.ChoiceField(causes.ALL, required=False, default="frame_snapped")
    borne_by = serializers.ChoiceField(
        causes.Bearer.choices, required=False, help_text="Usual for the cause by default"
    )


@extend_schema_serializer(examples=[OpenApiExample("Arrived", value={})])
class FrameArrivedIn(StrictSerializer):
    pass


class CauseOut(serializers.Serializer[Any]):
    key = serializers.CharField()
    words = serializers.CharField()
    where = serializers.ListField(child=serializers.CharField(), help_text="bench, return, order")
    usually = serializers.ChoiceField(causes.Bearer.choices, help_text="Who bears the cost if nobody says otherwise")
    source = serializers.CharField()  # type: ignore[assignment]


class CausesOut(serializers.Serializer[Any]):
    causes = CauseOut(many=True)


@extend_schema_serializer(examples=[OpenApiExample("At a bench", value={"bench": _ID})])
class JobClaimIn(StrictSerializer):
    bench = serializers.UUIDField(required=False, allow_null=True, default=None)
    take_over = serializers.BooleanField(
        required=False, default=False, help_text="Take it from whoever has it in hand; the record says so"
    )


@extend_schema_serializer(examples=[OpenApiExample("Put down", value={"note": "Waiting for the adhesive"})])
class JobReleaseIn(StrictSerializer):
    note = TextField(required=False, allow_blank=True, max_length=300, default="")


@extend_schema_serializer(
    examples=[OpenApiExample("Four trays", value={"jobs": [_ID], "person": _ID, "note": "Lunch"})]
)
class JobsHandOnIn(StrictSerializer):
    jobs = serializers.ListField(child=serializers.UUIDField(), min_length=1, max_length=100)
    person = serializers.UUIDField(required=False, allow_null=True, default=None)
    bench = serializers.UUIDField(required=False, allow_null=True, default=None)
    note = TextField(required=False, allow_blank=True, max_length=300, default="")


class JobsHandedOnOut(serializers.Serializer[Any]):
    jobs = JobOut(many=True)


@extend_schema_serializer(examples=[OpenApiExample("Wrong tray", value={"reason": "Pressed for the wrong tray"})])
class StepUndoIn(StrictSerializer):
    reason = TextField(max_length=300)


@extend_schema_serializer(
    examples=[OpenApiExample("A bench", value={"branch": _ID, "code": "EDGE", "name": "Edging, by the window"})]
)
class BenchAddIn(StrictSerializer):
    branch = serializers.UUIDField()
    code = serializers.RegexField(r"^[A-Za-z0-9-]{1,12}$")
    name = TextField(max_length=80)


@extend_schema_serializer(examples=[OpenApiExample("Out of use", value={"is_active": False})])
class BenchChangeIn(StrictSerializer):
    name = TextField(required=False, max_length=80)
    is_active = serializers.BooleanField(required=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if not attrs:
            raise serializers.ValidationError("Name at least one field to change.", code="empty")
        return attrs
