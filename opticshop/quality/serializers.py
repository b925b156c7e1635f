from __future__ import annotations

from decimal import Decimal
from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_field, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField, UnitDecimalField
from opticshop.orders import causes
from opticshop.workshop.models import ORDINARY_STEPS, StepKind
from opticshop.workshop.serializers import VerdictOut

from . import cautions, selectors, visual
from .models import (
    DraftReading,
    Handover,
    Inspection,
    InspectionDraft,
    PairReturn,
    Photograph,
    SupervisedStage,
    UsedInstrument,
)

_ID = "01890a5d-ac96-774b-bcce-b302099a8057"
_OK = {"ok": True}
_REDO = [(kind, StepKind(kind).label) for kind in ORDINARY_STEPS[: ORDINARY_STEPS.index(StepKind.INSPECT) + 1]]


def _power(**kwargs: Any) -> UnitDecimalField:
    return UnitDecimalField(
        unit="dioptres", max_digits=5, min_value=-40, max_value=40, required=False, allow_null=True, **kwargs
    )


def _prism(words: str) -> UnitDecimalField:
    return UnitDecimalField(
        unit=f"prism dioptres at the centration point, {words}",
        max_digits=5,
        min_value=-40,
        max_value=40,
        required=False,
        allow_null=True,
    )


def _length(unit: str = "mm", low: int = 0, high: int = 100) -> UnitDecimalField:
    return UnitDecimalField(unit=unit, max_digits=5, min_value=low, max_value=high, required=False, allow_null=True)


def _uncertainty(unit: str) -> UnitDecimalField:
    return UnitDecimalField(
        unit=unit, max_digits=5, decimal_places=3, min_value=0, max_value=10, required=False, allow_null=True
    )


class MeasuredLensIn(StrictSerializer):
    """One lens as measured in the frame. What is left out was not measured; write 0 where the focimeter shows none."""

    sphere_dpt = _power()
    cylinder_dpt = _power(help_text="In either sign")
    axis_deg = serializers.IntegerField(min_value=1, max_value=180, required=False, allow_null=True)
    addition_dpt = _power()
    prism_in_dpt = _prism("base in positive")
    prism_up_dpt = _prism("base up positive")
    centration_distance_mm = _length("mm from the middle of the bridge to the optical centre or fitting point")
    centration_height_mm = _length("mm above the lowest boxed tangent")
    segment_height_mm = _length("mm above the lowest boxed tangent")
    centre_thickness_mm = _length()
    tilt_deg = UnitDecimalField(
        unit="degrees", max_digits=4, decimal_places=1, min_value=-90, max_value=90, required=False, allow_null=True
    )


class MeasuredPairIn(StrictSerializer):
    centre_distance_mm = _length("mm between the optical centres")
    height_difference_mm = _length("mm, right centre above left positive", low=-50, high=50)


class InstrumentUncertaintyIn(StrictSerializer):
    """Expanded uncertainty (coverage factor 2). A reading closer to a limit than this is undecided, never a pass."""

    power_dpt = _uncertainty("dioptres")
    axis_deg = _uncertainty("degrees")
    prism_dpt = _uncertainty("prism dioptres")
    length_mm = _uncertainty("mm")


class SeenIn(StrictSerializer):
    ok = serializers.BooleanField()
    note = TextField(required=False, allow_blank=True, max_length=300)


class VisualIn(StrictSerializer):
    """What was looked at. A check not in order fails the pair; one that is needed and missing leaves it open."""

    surfaces = SeenIn(required=False)
    coating = SeenIn(required=False)
    edges_and_bevel = SeenIn(required=False)
    fit_in_rim = SeenIn(required=False)
    strain = SeenIn(required=False)
    alignment = SeenIn(required=False)
    screws = SeenIn(required=False)
    tint_match = SeenIn(required=False)


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "A pair of single-vision lenses",
            value={
                "job": _ID,
                "right": {
                    "sphere_dpt": "-2.02",
                    "cylinder_dpt": "-0.50",
                    "axis_deg": 91,
                    "prism_in_dpt": "0.10",
                    "prism_up_dpt": "0.00",
                },
                "left": {
                    "sphere_dpt": "-2.25",
                    "cylinder_dpt": "0.00",
                    "prism_in_dpt": "0.00",
                    "prism_up_dpt": "0.00",
                },
                "pair": {"centre_distance_mm": "62.5"},
                "visual": {check.name: _OK for check in visual.CHECKS},
            },
        )
    ]
)
class InspectionRecordIn(StrictSerializer):
    job = serializers.UUIDField()
    standard = serializers.SlugField(required=False, max_length=80, help_text="If named, it must be the branch's own")
    right = MeasuredLensIn(required=False)
    left = MeasuredLensIn(required=False)
    pair = MeasuredPairIn(required=False)
    instrument_uncertainty = InstrumentUncertaintyIn(required=False)
    visual = VisualIn(required=False)
    instruments = serializers.ListField(
        child=serializers.UUIDField(), required=False, max_length=6, help_text="What it was measured with"
    )
    redo_from = serializers.ChoiceField(
        _REDO, default=StepKind.VERIFY.value, help_text="Where the work goes on if the pair fails"
    )
    supervised_by = serializers.UUIDField(
        required=False, allow_null=True, help_text="The registrant who supervises this check"
    )


class UsedInstrumentOut(serializers.ModelSerializer[UsedInstrument]):
    name = serializers.CharField(source="instrument.name", read_only=True)

    class Meta:
        model = UsedInstrument
        fields = ["instrument", "name", "calibration", "flag"]
        read_only_fields = fields


class PhotographOut(serializers.ModelSerializer[Photograph]):
    """A photograph; the picture itself is at ``image/`` below its address."""

    taken_by_name = serializers.CharField(source="taken_by", read_only=True, allow_null=True)

    class Meta:
        model = Photograph
        fields = [
            "id",
            "branch",
            "job",
            "draft",
            "inspection",
            "caption",
            "content_type",
            "width_px",
            "height_px",
            "size_bytes",
            "sha256",
            "taken_by",
            "taken_by_name",
            "created_at",
        ]
        read_only_fields = fields


class RepeatOut(serializers.Serializer[Any]):
    """One quantity that was read: how often and how far the readings lie apart."""

    subject = serializers.CharField(help_text="right, left or pair")
    quantity = serializers.CharField(help_text="power_dpt is sphere, cylinder and axis as one power")
    count = serializers.IntegerField()
    spread = serializers.CharField(help_text="Of a power: the greatest difference in any meridian")
    limit = serializers.CharField()
    unit = serializers.CharField()
    agrees = serializers.BooleanField(allow_null=True, help_text="null where it was read once")


class InspectionOut(serializers.ModelSerializer[Inspection]):
    job_number = serializers.CharField(source="job.number", read_only=True)
    job_state = serializers.CharField(source="job.state", read_only=True)
    order = serializers.UUIDField(source="job.order_id", read_only=True)
    verdict = VerdictOut(read_only=True)
    missing = serializers.ListField(child=serializers.CharField(), read_only=True)
    reasons = serializers.ListField(child=serializers.CharField(), read_only=True)
    inspected_by_name = serializers.CharField(source="inspected_by", read_only=True, allow_null=True)
    second_by_name = serializers.CharField(source="second_by", read_only=True, allow_null=True)
    repeats = RepeatOut(many=True, read_only=True)
    used_instruments = UsedInstrumentOut(many=True, read_only=True)
    photographs = PhotographOut(many=True, read_only=True)

    class Meta:
        model = Inspection
        fields = [
            "id",
            "branch",
            "job",
            "job_number",
            "job_state",
            "order",
            "outcome",
            "missing",
            "reasons",
            "standard",
            "standard_version",
            "leaned_on_unconfirmed",
            "verdict",
            "readings",
            "visual",
            "inspected_at",
            "inspected_by",
            "inspected_by_name",
            "needs_second",
            "second_agrees",
            "second_by",
            "second_by_name",
            "second_at",
            "second_note",
            "repeats",
            "used_instruments",
            "photographs",
        ]
        read_only_fields = fields


class DraftReadingOut(serializers.ModelSerializer[DraftReading]):
    values = serializers.DictField(child=serializers.CharField(), read_only=True, help_text="As read")
    instrument_name = serializers.CharField(source="instrument", read_only=True, allow_null=True)
    read_by_name = serializers.CharField(source="read_by", read_only=True, allow_null=True)

    class Meta:
        model = DraftReading
        fields = [
            "id",
            "subject",
            "values",
            "instrument",
            "instrument_name",
            "read_at",
            "read_by",
            "read_by_name",
            "struck_reason",
        ]
        read_only_fields = fields


class InspectionDraftOut(serializers.ModelSerializer[InspectionDraft]):
    """An inspection under way: what was read, what it comes to so far, what was looked at."""

    job_number = serializers.CharField(source="job.number", read_only=True)
    opened_by_name = serializers.CharField(source="opened_by", read_only=True, allow_null=True)
    readings = DraftReadingOut(many=True, read_only=True)
    photographs = PhotographOut(many=True, read_only=True)
    means = serializers.SerializerMethodField(help_text="By right, left and pair: what would be judged now")
    repeats = serializers.SerializerMethodField()

    class Meta:
        model = InspectionDraft
        fields = [
            "id",
            "branch",
            "job",
            "job_number",
            "standard",
            "state",
            "inspection",
            "readings",
            "means",
            "repeats",
            "visual",
            "photographs",
            "opened_by",
            "opened_by_name",
            "created_at",
            "version",
        ]
        read_only_fields = fields

    def get_means(self, draft: InspectionDraft) -> dict[str, dict[str, str | None]]:
        means = selectors.draft_summary(draft.readings.all()).means
        return {
            subject: {name: None if value is None else str(value) for name, value in values.items()}
            for subject, values in means.items()
        }

    @extend_schema_field(RepeatOut(many=True))
    def get_repeats(self, draft: InspectionDraft) -> Any:
        return [each.to_dict() for each in selectors.draft_summary(draft.readings.all()).repeats]


@extend_schema_serializer(examples=[OpenApiExample("A job", value={"job": _ID})])
class DraftOpenIn(StrictSerializer):
    job = serializers.UUIDField()
    standard = serializers.SlugField(required=False, max_length=80, help_text="If named, it must be the branch's own")


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "The right lens, read once",
            value={
                "instrument": _ID,
                "right": {"sphere_dpt": "-2.02", "cylinder_dpt": "-0.50", "axis_deg": 91},
            },
        )
    ]
)
class DraftReadingIn(StrictSerializer):
    """Exactly one of right, left and pair: what was read in one go."""

    right = MeasuredLensIn(required=False)
    left = MeasuredLensIn(required=False)
    pair = MeasuredPairIn(required=False)
    instrument = serializers.UUIDField(required=False, allow_null=True)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if sum(name in attrs for name in ("right", "left", "pair")) != 1:
            raise serializers.ValidationError("Give exactly one of right, left and pair.", code="one_subject")
        return attrs


@extend_schema_serializer(
    examples=[OpenApiExample("Strike", value={"reading": _ID, "reason": "Lens lay askew in the holder"})]
)
class DraftStrikeIn(StrictSerializer):
    reading = serializers.UUIDField()
    reason = TextField(max_length=300)


@extend_schema_serializer(examples=[OpenApiExample("Looked at", value={"visual": {"strain": _OK, "screws": _OK}})])
class DraftLooksIn(StrictSerializer):
    visual = VisualIn()


@extend_schema_serializer(examples=[OpenApiExample("Conclude", value={})])
class DraftConcludeIn(StrictSerializer):
    redo_from = serializers.ChoiceField(
        _REDO, default=StepKind.VERIFY.value, help_text="Where the work goes on if the pair fails"
    )
    supervised_by = serializers.UUIDField(
        required=False, allow_null=True, help_text="The registrant who supervises this check"
    )


@extend_schema_serializer(examples=[OpenApiExample("Given up", value={"reason": "Focimeter is out of order"})])
class DraftGiveUpIn(StrictSerializer):
    reason = TextField(max_length=300)


@extend_schema_serializer(examples=[OpenApiExample("Agreed", value={"agrees": True})])
class SecondCheckIn(StrictSerializer):
    agrees = serializers.BooleanField()
    note = TextField(required=False, allow_blank=True, max_length=300, default="")


class PhotographIn(StrictSerializer):
    """Sent as multipart/form-data. JPEG, PNG or WebP, at most 8 MB; kept upright and without its metadata."""

    file = serializers.FileField(max_length=200)
    inspection = serializers.UUIDField(required=False)
    draft = serializers.UUIDField(required=False)
    caption = TextField(required=False, allow_blank=True, max_length=200, default="")

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if ("inspection" in attrs) == ("draft" in attrs):
            raise serializers.ValidationError("Name an inspection or a draft.", code="one_subject")
        return attrs


class CautionOut(serializers.Serializer[Any]):
    key = serializers.CharField()
    words = serializers.CharField()
    basis = serializers.CharField()
    confidence = serializers.CharField()


class HandoverOut(serializers.ModelSerializer[Handover]):
    order_number = serializers.CharField(source="order.number", read_only=True)
    advice = serializers.ListField(child=serializers.CharField(), read_only=True)
    supervision_gaps = serializers.ListField(
        child=serializers.CharField(),
        read_only=True,
        help_text="Stages of a restricted supply for which no supervision was on record",
    )
    cautions = CautionOut(many=True, read_only=True)
    cautions_note = serializers.SerializerMethodField()
    supervised_by_name = serializers.CharField(source="supervised_by", read_only=True, allow_null=True)
    handed_over_by_name = serializers.CharField(source="handed_over_by", read_only=True, allow_null=True)

    class Meta:
        model = Handover
        fields = [
            "id",
            "branch",
            "order",
            "order_number",
            "inspection",
            "collected_by",
            "advice",
            "cautions",
            "cautions_note",
            "supervision_gaps",
            "is_restricted",
            "supervised_by",
            "supervised_by_name",
            "supervisor_registration",
            "handed_over_at",
            "handed_over_by",
            "handed_over_by_name",
        ]
        read_only_fields = fields

    def get_cautions_note(self, handover: Handover) -> str:
        return cautions.CLOSING


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Collected by the wearer",
            value={"order": _ID, "advice": ["Adjusted to the face", "Cleaning explained"], "supervised_by": _ID},
        )
    ]
)
class HandoverRecordIn(StrictSerializer):
    order = serializers.UUIDField()
    collected_by = TextField(
        required=False, allow_blank=True, max_length=120, help_text="Who took the pair, if not the wearer"
    )
    advice = serializers.ListField(child=TextField(max_length=300), required=False, max_length=20)
    supervised_by = serializers.UUIDField(
        required=False,
        allow_null=True,
        help_text="The registrant who supervises; needed where the supply is restricted",
    )


class SupervisionOut(serializers.ModelSerializer[SupervisedStage]):
    order_number = serializers.CharField(source="order.number", read_only=True)
    supervised_by_name = serializers.CharField(source="supervised_by", read_only=True)
    recorded_by_name = serializers.CharField(source="recorded_by", read_only=True, allow_null=True)

    class Meta:
        model = SupervisedStage
        fields = [
            "id",
            "branch",
            "order",
            "order_number",
            "stage",
            "supervised_by",
            "supervised_by_name",
            "supervisor_registration",
            "is_restricted",
            "note",
            "supervised_at",
            "recorded_by",
            "recorded_by_name",
        ]
        read_only_fields = fields


@extend_schema_serializer(
    examples=[OpenApiExample("Measuring", value={"order": _ID, "stage": "measurement", "supervised_by": _ID})]
)
class SupervisionIn(StrictSerializer):
    """The handover and an inspection record their own stage when a registrant is named there."""

    order = serializers.UUIDField()
    stage = serializers.ChoiceField(SupervisedStage.Stage.choices)
    supervised_by = serializers.UUIDField(help_text="A registered colleague of the order's branch")
    note = TextField(required=False, allow_blank=True, max_length=300, default="")


class PairReturnOut(serializers.ModelSerializer[PairReturn]):
    order_number = serializers.CharField(source="order.number", read_only=True)
    job_number = serializers.CharField(source="job.number", read_only=True, allow_null=True, default=None)
    decision = serializers.CharField(read_only=True, help_text="remake, refund, adjust or refuse; empty until decided")
    borne_by = serializers.CharField(read_only=True, help_text="Who bears the cost; empty until decided")
    reported_by_name = serializers.CharField(source="reported_by", read_only=True, allow_null=True)
    decided_by_name = serializers.CharField(source="decided_by", read_only=True, allow_null=True)

    class Meta:
        model = PairReturn
        fields = [
            "id",
            "branch",
            "order",
            "order_number",
            "handover",
            "cause",
            "eye",
            "words",
            "reported_at",
            "reported_by",
            "reported_by_name",
            "decision",
            "decision_note",
            "borne_by",
            "job",
            "job_number",
            "refund",
            "decided_at",
            "decided_by",
            "decided_by_name",
            "version",
        ]
        read_only_fields = fields


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Cannot get used to it",
            value={"order": _ID, "cause": "non_tolerance", "eye": "both", "words": "Swims when looking aside"},
        )
    ]
)
class PairReturnIn(StrictSerializer):
    order = serializers.UUIDField()
    cause = serializers.ChoiceField(causes.OF_RETURNS)
    eye = serializers.ChoiceField(["right", "left", "both", "frame"])
    words = TextField(max_length=250, help_text="What is wrong, in words")


@extend_schema_serializer(
    examples=[
        OpenApiExample("Made again", value={"decision": "remake", "note": "Fault of the lens", "borne_by": "supplier"}),
        OpenApiExample("Paid back", value={"decision": "refund", "note": "Within the guarantee", "payment": _ID}),
    ]
)
class ReturnDecideIn(StrictSerializer):
    decision = serializers.ChoiceField(PairReturn.Decision.choices)
    note = TextField(max_length=300)
    borne_by = serializers.ChoiceField(
        causes.Bearer.choices, required=False, help_text="Usual for the cause by default"
    )
    eyes = serializers.ListField(
        child=serializers.ChoiceField(["right", "left"]),
        required=False,
        min_length=1,
        max_length=2,
        help_text="Of a remake: which lenses; those of the return by default",
    )
    branch = serializers.UUIDField(required=False, help_text="Of a remake: where it is made, if elsewhere")
    payment = serializers.UUIDField(required=False, help_text="Of a refund: the payment that is given back")
    amount = UnitDecimalField(
        unit="money", max_digits=10, min_value=Decimal("0.01"), required=False, help_text="All that is left by default"
    )


class FiguresAsked(StrictSerializer):
    first = serializers.DateField(help_text="First day")
    last = serializers.DateField(help_text="Last day, included")
    by = serializers.ChoiceField(["total", "branch", "product", "person", "day", "week", "month"], default="total")
    branch = serializers.UUIDField(required=False, help_text="Only this branch")
    return_days = serializers.IntegerField(
        default=30, min_value=0, max_value=365, help_text="How long a pair may come back and still count as not right"
    )


class FigureRowOut(serializers.Serializer[Any]):
    """Counts beside every share, so that a share of three jobs is seen to be one."""

    key = serializers.CharField(allow_null=True, help_text="Id of the branch, product or person, or the span")
    label = serializers.CharField()  # type: ignore[assignment]
    jobs = serializers.IntegerField(help_text="First attempts finished in the period")
    right = serializers.IntegerField(help_text="Of these, right first time")
    right_first_time_percent = serializers.FloatField(allow_null=True)
    not_yet_settled = serializers.IntegerField(help_text="Finished so lately that they may still come back")
    lenses_made = serializers.IntegerField(help_text="Lenses of all jobs finished in the period")
    lenses_lost = serializers.IntegerField(help_text="Lenses lost on the bench in the period")
    spoil_percent = serializers.FloatField(allow_null=True, help_text="Lost of lost and made")
    turnaround_p50_hours = serializers.FloatField(
        allow_null=True, help_text="Working hours, order complete to packed; the value at the nearest rank"
    )
    turnaround_p90_hours = serializers.FloatField(allow_null=True)
    on_first_promise = serializers.IntegerField(help_text="Packed on or before the first promised day")
    on_first_promise_percent = serializers.FloatField(allow_null=True)
    on_last_promise = serializers.IntegerField(help_text="Packed on or before the last promised day")


class FiguresOut(serializers.Serializer[Any]):
    """Right first time, spoil rate, turnaround and kept promises of the branches you watch; by product the rows
    overlap, by person it is who glazed (of losses, who recorded them)."""

    first = serializers.DateField()
    last = serializers.DateField()
    by = serializers.CharField()
    return_days = serializers.IntegerField()
    total = FigureRowOut()
    rows = FigureRowOut(many=True)
