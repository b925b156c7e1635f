from __future__ import annotations

import base64
import binascii
from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField
from opticshop.orders.computing import CUTTING_MARGIN_MM
from opticshop.tracing import LARGEST_FILE_BYTES, NOT_CERTIFIED
from opticshop.tracing.comparing import EYE_NAMES, MirrorDifference

from .layout import BenchEye, BenchLayout
from .models import FrameTrace, TraceFormat
from .outlines import mirror_row

_EYES = ["right", "left"]
#: Four characters for three bytes.
_LONGEST_BASE64 = (LARGEST_FILE_BYTES + 2) // 3 * 4
_EXAMPLE = (
    "JOB=000123\r\nDBL=18.00\r\nHBOX=50.00;50.00\r\nVBOX=50.00;50.00\r\n"
    "TRCFMT=1;8;E;R;F\r\nR=2500;2500;2500;2500\r\nR=2500;2500;2500;2500\r\n"
    "TRCFMT=1;8;E;L;F\r\nR=2500;2500;2500;2500\r\nR=2500;2500;2500;2500\r\n"
)


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Records of a tracer (a circle of 50 mm in eight radii)",
            value={"format": "records", "file_name": "000123.omx", "text": _EXAMPLE},
        ),
        OpenApiExample(
            "A table of points of the right lens",
            value={
                "format": "csv",
                "eye": "right",
                "text": "x_mm,y_mm\n25,0\n18,16\n0,18\n-18,16\n-25,0\n-18,-16\n0,-18\n18,-16\n",
            },
        ),
    ]
)
class TraceRecordIn(StrictSerializer):
    """A file as text, or base64 where the bytes matter. One of the two. At most a megabyte."""

    format = serializers.ChoiceField(
        TraceFormat.choices,
        help_text=f"records: trace records, format 1 (ASCII absolute) only. {NOT_CERTIFIED} csv: columns radius_mm "
        "(with angle_deg) or x_mm and y_mm, and eye. svg: one closed path or polygon, or one each with id right and "
        "left, in a drawing that states its size in mm.",
    )
    text = serializers.CharField(
        required=False, trim_whitespace=False, max_length=LARGEST_FILE_BYTES, help_text="The file as text (UTF-8)"
    )
    base64 = serializers.CharField(
        required=False, max_length=_LONGEST_BASE64, help_text="The file as base64 (RFC 4648)"
    )
    eye = serializers.ChoiceField(
        _EYES, default="right", help_text="Whose a single outline is, where the file does not say"
    )
    file_name = TextField(required=False, allow_blank=True, max_length=120, default="")
    note = TextField(required=False, allow_blank=True, max_length=300, default="")

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if ("text" in attrs) == ("base64" in attrs):
            raise serializers.ValidationError({"text": "Send either text or base64."}, code="one_of")
        text, coded = attrs.pop("text", None), attrs.pop("base64", None)
        if text is not None:
            attrs["content"] = text.encode("utf-8")
            return attrs
        try:
            attrs["content"] = base64.b64decode(coded, validate=True)
        except (binascii.Error, ValueError) as error:
            raise serializers.ValidationError({"base64": "This is not base64."}, code="base64") from error
        return attrs


class WarningOut(serializers.Serializer[Any]):
    code = serializers.CharField()
    detail = serializers.CharField()
    eye = serializers.ChoiceField(_EYES, allow_null=True)


class TraceWarningOut(WarningOut):
    line = serializers.IntegerField(allow_null=True, help_text="Line of the file, where one can be named")


class TracedEyeOut(serializers.Serializer[Any]):
    """Sizes by the boxing system, mm; ``stated`` is what the file says of itself, null for unknown."""

    is_mirrored = serializers.BooleanField(help_text="Not traced: the mirror image of the other eye")
    a_mm = serializers.FloatField()
    b_mm = serializers.FloatField()
    ed_mm = serializers.FloatField(help_text="Twice the greatest distance from the boxed centre")
    ed_axis_deg = serializers.FloatField(help_text="Where that lies, 0 to 360, seen from the front")
    circumference_mm = serializers.FloatField()
    stated = serializers.DictField(child=serializers.FloatField(allow_null=True))


class TracedEyeInFullOut(TracedEyeOut):
    points_mm = serializers.ListField(
        child=serializers.ListField(child=serializers.FloatField(), min_length=2, max_length=2),
        help_text="Closed polygon from the boxed centre, seen from the front, x to the right and y up",
    )


class TracedEyesOut(serializers.Serializer[Any]):
    right = TracedEyeOut()
    left = TracedEyeOut()


class TracedEyesInFullOut(serializers.Serializer[Any]):
    right = TracedEyeInFullOut()
    left = TracedEyeInFullOut()


class MirrorOut(serializers.Serializer[Any]):
    """Right and mirrored left laid on each other at their boxed centres; sizes are right minus left, mm."""

    largest_mm = serializers.FloatField(help_text="Greatest distance between the two outlines")
    a_mm = serializers.FloatField()
    b_mm = serializers.FloatField()
    ed_mm = serializers.FloatField()
    circumference_mm = serializers.FloatField()
    is_within = serializers.BooleanField()


class FrameTraceOut(serializers.ModelSerializer[FrameTrace]):
    eyes = TracedEyesOut(read_only=True)
    mirror = MirrorOut(read_only=True, allow_null=True)
    warnings = TraceWarningOut(many=True, read_only=True)
    traced_by_name = serializers.CharField(source="traced_by", read_only=True, allow_null=True)
    notice = serializers.SerializerMethodField()

    class Meta:
        model = FrameTrace
        fields = [
            "id",
            "job",
            "frame",
            "format",
            "kind",
            "file_name",
            "content_sha256",
            "eyes",
            "dbl_mm",
            "mirror",
            "warnings",
            "note",
            "traced_at",
            "traced_by",
            "traced_by_name",
            "notice",
        ]
        read_only_fields = fields

    def get_notice(self, row: FrameTrace) -> str:
        return NOT_CERTIFIED if row.format == TraceFormat.RECORDS else ""


class FrameTraceInFullOut(FrameTraceOut):
    eyes = TracedEyesInFullOut(read_only=True)  # type: ignore[assignment]


class DifferenceOut(serializers.Serializer[Any]):
    beside = serializers.ChoiceField(["file", "frame"], help_text="What the trace is compared with")
    parameter = serializers.CharField()
    eye = serializers.SerializerMethodField()
    expected_mm = serializers.FloatField()
    traced_mm = serializers.FloatField()
    difference_mm = serializers.FloatField(help_text="Traced minus expected")
    limit_mm = serializers.FloatField(source="limit.limit_mm")
    is_within = serializers.BooleanField()
    basis = serializers.CharField(source="limit.basis", help_text="What the limit rests on")
    confidence = serializers.CharField(source="limit.confidence")

    def get_eye(self, difference: Any) -> str | None:
        return None if difference.eye is None else EYE_NAMES[difference.eye]

    def to_representation(self, instance: Any) -> dict[str, Any]:
        shown = super().to_representation(instance)
        return {name: round(value, 2) if isinstance(value, float) else value for name, value in shown.items()}


class ComparisonOut(serializers.Serializer[Any]):
    """The trace beside the catalogue's frame, beside its own file, and right beside left."""

    trace = serializers.UUIDField()
    differences = DifferenceOut(many=True)
    mirror = MirrorOut(allow_null=True)
    agrees = serializers.BooleanField(help_text="Everything lies within its limit")
    notice = serializers.CharField()


def comparison(row: FrameTrace, differences: list[Any], mirror: MirrorDifference | None) -> dict[str, Any]:
    return {
        "trace": row.id,
        "differences": differences,
        "mirror": mirror_row(mirror),
        "agrees": all(difference.is_within for difference in differences) and (mirror is None or mirror.is_within),
        "notice": NOT_CERTIFIED if row.format == TraceFormat.RECORDS else "",
    }


class EdgePointOut(serializers.Serializer[Any]):
    direction_deg = serializers.FloatField(help_text="From the boxed centre, seen from the front, 0 to the right")
    side = serializers.CharField()
    radius_mm = serializers.FloatField()
    thickness_mm = serializers.FloatField()


class BlockOut(serializers.Serializer[Any]):
    on = serializers.ChoiceField(["optical_centre", "boxed_centre"])
    out_mm = serializers.FloatField(help_text="From the dotted optical centre, temporally positive")
    down_mm = serializers.FloatField(help_text="From the dotted optical centre, downward positive")
    room_mm = serializers.FloatField(help_text="To the nearest point of the finished edge; a larger block is cut")


class BevelOut(serializers.Serializer[Any]):
    """A suggestion. ``front_share`` is the part of the edge before the apex."""

    place = serializers.ChoiceField(["front", "share", "base_curve"])
    front_share = serializers.FloatField(allow_null=True)
    curve_dpt = serializers.FloatField(allow_null=True, help_text="Curve the ridge follows, at the tooling index 1.530")
    apex_thinnest_mm = serializers.FloatField(help_text="Apex behind the front edge where the edge is thinnest")
    apex_thickest_mm = serializers.FloatField()
    words = serializers.CharField()
    basis = serializers.CharField()
    confidence = serializers.CharField()


class EdgeNoteOut(serializers.Serializer[Any]):
    key = serializers.CharField()
    words = serializers.CharField()
    basis = serializers.CharField()
    confidence = serializers.CharField()
    is_warning = serializers.BooleanField()


class CentreShiftOut(serializers.Serializer[Any]):
    in_mm = serializers.FloatField()
    up_mm = serializers.FloatField()


class CutOutOut(serializers.Serializer[Any]):
    """The exact test with the outline in use and a margin all round."""

    fits = serializers.BooleanField()
    clearance_mm = serializers.FloatField(help_text="Least room left; negative: what is missing")
    needed_blank_mm = serializers.FloatField(help_text="Smallest blank centred on the optical centre")
    usable_blank_mm = serializers.FloatField()
    margin_mm = serializers.FloatField()
    best_shift = CentreShiftOut(allow_null=True, help_text="Smallest move of the optical centre that makes it fit")


class LayoutEyeOut(serializers.Serializer[Any]):
    eye = serializers.ChoiceField(_EYES)
    outline = serializers.ChoiceField(["traced", "mirrored", "assumed"], help_text="Where the shape comes from")
    a_mm = serializers.FloatField()
    b_mm = serializers.FloatField()
    ed_mm = serializers.FloatField()
    circumference_mm = serializers.FloatField()
    centration_in_mm = serializers.FloatField(help_text="Fitting point from the boxed centre, nasally positive")
    centration_up_mm = serializers.FloatField()
    optical_centre_in_mm = serializers.FloatField(allow_null=True)
    optical_centre_up_mm = serializers.FloatField(allow_null=True)
    axis_deg = serializers.IntegerField(allow_null=True)
    cut_out = CutOutOut(allow_null=True)
    centre_thickness_mm = serializers.FloatField(allow_null=True)
    edge_thinnest_mm = serializers.FloatField(allow_null=True)
    edge_thickest_mm = serializers.FloatField(allow_null=True)
    weight_g = serializers.FloatField(allow_null=True)
    edge = EdgePointOut(many=True, help_text="Thickness in eight directions")
    blocks = BlockOut(many=True)
    bevel = BevelOut(allow_null=True, help_text="Only for a full rim")
    notes = EdgeNoteOut(many=True)
    problem = serializers.CharField(allow_blank=True, help_text="Why nothing could be computed with this outline")


@extend_schema_serializer(many=False)
class LayoutOut(serializers.Serializer[Any]):
    """Everything the bench lays out by. Lengths in mm, seen from the front. Suggestions are customs of the trade."""

    job = serializers.UUIDField()
    job_number = serializers.CharField()
    trace = serializers.UUIDField(allow_null=True, help_text="The trace in use; null: the shape is assumed")
    mount = serializers.CharField()
    dbl_mm = serializers.FloatField()
    groove_width_mm = serializers.FloatField(allow_null=True)
    groove_depth_mm = serializers.FloatField(allow_null=True)
    eyes = LayoutEyeOut(many=True)
    warnings = WarningOut(many=True)
    notice = serializers.CharField()


SUGGESTIONS = (
    "Bevel, groove and drilling notes are customs of the trade; the sheets of frame, lens and machine and the person "
    "at the edger come first."
)


def layout_answer(layout: BenchLayout) -> dict[str, Any]:
    """The layout in the shape of LayoutOut."""
    width, depth = layout.groove_mm or (None, None)
    return {
        "job": layout.job.id,
        "job_number": layout.job.number,
        "trace": None if layout.trace is None else layout.trace.id,
        "mount": layout.mount,
        "dbl_mm": round(layout.dbl_mm, 2),
        "groove_width_mm": width,
        "groove_depth_mm": depth,
        "eyes": [_eye_answer(each) for each in layout.eyes],
        "warnings": layout.warnings,
        "notice": SUGGESTIONS,
    }


def _eye_answer(each: BenchEye) -> dict[str, Any]:
    shape, done = each.outline, each.computed
    answer: dict[str, Any] = {
        "eye": EYE_NAMES[each.eye],
        "outline": each.source,
        "a_mm": round(shape.a_mm, 2),
        "b_mm": round(shape.b_mm, 2),
        "ed_mm": round(shape.effective_diameter_mm, 2),
        "circumference_mm": round(shape.circumference_mm, 2),
        "centration_in_mm": round(each.in_mm, 2),
        "centration_up_mm": round(each.up_mm, 2),
        "axis_deg": each.lens.axis_deg,
        "optical_centre_in_mm": None,
        "optical_centre_up_mm": None,
        "cut_out": None,
        "centre_thickness_mm": None,
        "edge_thinnest_mm": None,
        "edge_thickest_mm": None,
        "weight_g": None,
        "edge": [],
        "blocks": [],
        "bevel": None,
        "notes": [],
        "problem": each.problem,
    }
    if done is None:
        return answer
    result, shift = done.result, done.result.shift_to_fit
    return answer | {
        "optical_centre_in_mm": round(result.optical_centre.in_mm, 2),
        "optical_centre_up_mm": round(result.optical_centre.up_mm, 2),
        "cut_out": {
            "fits": result.cuts_out,
            "clearance_mm": round(result.clearance_mm, 2),
            "needed_blank_mm": round(result.minimum_blank_exact_mm, 2),
            "usable_blank_mm": float(each.lens.product.usable_diameter_mm),
            "margin_mm": CUTTING_MARGIN_MM,
            "best_shift": None if shift is None else {"in_mm": round(shift.in_mm, 2), "up_mm": round(shift.up_mm, 2)},
        },
        "centre_thickness_mm": round(result.centre_thickness_mm, 2),
        "edge_thinnest_mm": round(result.thinnest_edge_mm, 2),
        "edge_thickest_mm": round(result.thickest_edge_mm, 2),
        "weight_g": round(result.weight_g, 2),
        "edge": [
            {
                "direction_deg": point.direction_deg,
                "side": point.side,
                "radius_mm": round(point.radius_mm, 2),
                "thickness_mm": round(point.thickness_mm, 2),
            }
            for point in done.edge
        ],
        "blocks": [
            {
                "on": block.on,
                "out_mm": round(block.out_mm, 2),
                "down_mm": round(block.down_mm, 2),
                "room_mm": round(block.room_mm, 1),
            }
            for block in done.blocks
        ],
        "bevel": None
        if done.bevel is None
        else {
            "place": done.bevel.place,
            "front_share": None if done.bevel.front_share is None else round(done.bevel.front_share, 2),
            "curve_dpt": None if done.bevel.curve_dpt is None else round(done.bevel.curve_dpt, 2),
            "apex_thinnest_mm": round(done.bevel.apex_mm[0], 1),
            "apex_thickest_mm": round(done.bevel.apex_mm[1], 1),
            "words": done.bevel.words,
            "basis": done.bevel.basis,
            "confidence": done.bevel.confidence,
        },
        "notes": done.notes,
    }
