"""How Skeleton Name judges."""

from __future__ import annotations

from opticshop.plugin_api import EyeInspection, InspectionRequest, LensValues
from opticshop.plugin_api.testing import conformance
from opticshop.pluginhost.skeletons.tolerance.plugin import SkeletonNameStandard, plugin

test_conformance = conformance(plugin)


def judged(sphere: str) -> str:
    ordered = LensValues.of(sphere_dpt="-2.00")
    measured = LensValues.of(sphere_dpt=sphere, cylinder_dpt=0, axis_deg=0, prism_in_dpt=0, prism_up_dpt=0)
    request = InspectionRequest(lens_kind="single_vision", right=EyeInspection(ordered=ordered, measured=measured))
    return SkeletonNameStandard().evaluate(request).outcome


def test_the_limit_itself_passes() -> None:
    assert judged("-2.12") == "pass"


def test_just_beyond_the_limit_fails() -> None:
    assert judged("-2.13") == "fail"
