from __future__ import annotations

from django.db import models

from opticshop.core.models import Entity, Versioned


class PluginActivation(Entity, Versioned):
    """Whether a plugin is active, and with which settings: group-wide (no branch) or at one branch."""

    plugin = models.CharField(max_length=80)
    branch = models.ForeignKey("branches.Branch", on_delete=models.CASCADE, null=True, related_name="+")
    is_active = models.BooleanField(default=True)
    settings = models.JSONField(default=dict)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["plugin", "branch"], name="pluginhost_activation_once", nulls_distinct=False
            )
        ]
        indexes = [models.Index(fields=["branch", "plugin"], name="pluginhost_activation_branch")]

    def __str__(self) -> str:
        return f"{self.plugin} at {self.branch_id or 'all branches'}: {'on' if self.is_active else 'off'}"
