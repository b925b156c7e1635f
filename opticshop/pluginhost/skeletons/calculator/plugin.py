"""Skeleton Name: a calculator for opticshop."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from opticshop.plugin_api import (
    Calculator,
    CalculatorInputs,
    CalculatorOutputs,
    CalculatorResult,
    CalculatorWarning,
    PluginManifest,
    Quantity,
    WorkedExample,
    hookimpl,
)


class DecentrationInputs(CalculatorInputs):
    power_dpt: float = Quantity.dioptre(
        "Power of the lens in the meridian of the decentration", ge=-30, le=30, example=-4
    )
    decentration_mm: float = Quantity.mm(
        "How far the optical centre lies from the line of sight", ge=0, le=50, example=5
    )


class DecentrationOutputs(CalculatorOutputs):
    prism_dpt: float = Quantity.prism_dioptre("Prism on the line of sight, without its base direction")


class Decentration(Calculator[DecentrationInputs, DecentrationOutputs]):
    """Replace this example by your own formula, and keep the worked examples: they are checked."""

    name = "skeleton-name-decentration"
    title = "Prism by decentration"
    version = "0.1.0"
    topic = "prism"
    source = "Prentice's rule: prism in prism dioptres = decentration in cm x power in D (from memory)"
    Inputs = DecentrationInputs
    Outputs = DecentrationOutputs
    worked_examples = (
        WorkedExample(
            inputs={"power_dpt": -4.0, "decentration_mm": 5.0},
            outputs={"prism_dpt": 2.0},
            source="from memory: 0.5 cm x 4 D = 2 prism dioptres",
        ),
    )

    def compute(self, inputs: DecentrationInputs) -> CalculatorResult[DecentrationOutputs]:
        prism = abs(inputs.power_dpt) * inputs.decentration_mm / 10
        large = CalculatorWarning("skeleton-name.large", "Check the centration before you order.")
        return CalculatorResult(
            DecentrationOutputs(prism_dpt=prism),
            assumptions=("The lens is thin.",),
            warnings=(large,) if prism > 5 else (),
        )


class SkeletonName:
    manifest = PluginManifest(
        name="skeleton-name",
        title="Skeleton Name",
        version="0.1.0",
        api=">=1.0,<2",
        description="Computes the prism of a decentred lens.",
    )

    @hookimpl
    def register_calculators(self) -> Sequence[Calculator[Any, Any]]:
        return (Decentration(),)


plugin = SkeletonName()
