"""Warnings given beside figures that can hurt someone, and sources that many worked examples share.

They never block and never advise treatment: they say who decides.
"""

from __future__ import annotations

from opticshop.plugin_api import CalculatorWarning

PRISM = CalculatorWarning(
    "prism_needs_a_registered_person",
    "Prism acts on how the two eyes work together: a prescriber or registered dispenser decides on it.",
)
SLAB_OFF = CalculatorWarning(
    "imbalance_needs_a_registered_person",
    "Whether slab-off, separate reading spectacles or contact lenses suit this wearer is a clinical decision.",
)
IMAGE_SIZE = CalculatorWarning(
    "image_size_is_a_hint",
    "This is a hint from the lenses alone; aniseikonia is measured and treated by a registered person.",
)
DRIVING = CalculatorWarning(
    "driving_rules_are_local",
    "Rules on tints for driving differ by country and may be stricter; local rules and a registered person decide.",
)
POWER_CHANGED = CalculatorWarning(
    "power_differs_from_prescription",
    "The figure differs from the prescription on purpose: keep both on the record and let a registered person approve.",
)

COMPUTED = "computed from first principles, agreed by a second route"
ARITHMETIC = "computed from first principles"


def warning(code: str, message: str) -> CalculatorWarning:
    """A warning that depends on the figures."""
    return CalculatorWarning(code, message)
