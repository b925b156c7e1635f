"""What Skeleton Name computes."""

from __future__ import annotations

from opticshop.plugin_api.testing import conformance
from opticshop.pluginhost.skeletons.calculator.plugin import Decentration, DecentrationInputs, plugin

test_conformance = conformance(plugin)


def test_the_prism_grows_with_the_decentration() -> None:
    near, far = (
        Decentration().compute(DecentrationInputs(power_dpt=-4, decentration_mm=mm)).outputs.prism_dpt for mm in (2, 4)
    )
    assert far == 2 * near


def test_a_large_prism_is_warned_of() -> None:
    result = Decentration().compute(DecentrationInputs(power_dpt=8, decentration_mm=10))
    assert [warning.code for warning in result.warnings] == ["skeleton-name.large"]
