"""Recall intervals from published tables, and recalls at the expiry of the prescription."""

from __future__ import annotations

from collections.abc import Sequence

from opticshop.plugin_api import PluginManifest, RecallPolicy, hookimpl

from .policies import CollegeIntervals, Mou2002Intervals, PrescriptionExpiry

__all__ = ["CollegeIntervals", "Mou2002Intervals", "PrescriptionExpiry", "plugin"]


class StandardRecallsPlugin:
    """Registers three policies."""

    manifest = PluginManifest(
        name="opticshop-standard-recalls",
        title="Standard recalls",
        version="0.1.0",
        api=">=1.0,<2",
        description="Recalls by published intervals or at the expiry of the prescription.",
    )

    @hookimpl
    def register_recall_policies(self) -> Sequence[RecallPolicy]:
        return (Mou2002Intervals(), CollegeIntervals(), PrescriptionExpiry())


plugin = StandardRecallsPlugin()
