from __future__ import annotations

from django.db import models

from opticshop.core.models import Entity, Versioned


class PluginActivation(Entity, Versioned):
    """What was decided about a plugin: for the group (no branch), or at one branch in place of the group's word.

    ``is_active`` null means "as the group says" (at a branch) or "on" (for the group); ``settings`` hold only the keys
    that were set here, the rest comes from the group's row and the plugin's defaults.
    """

    plugin = models.CharField(max_length=80)
    branch = models.ForeignKey("branches.Branch", on_delete=models.CASCADE, null=True, related_name="+")
    is_active = models.BooleanField(null=True)
    settings = models.JSONField(default=dict)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["plugin", "branch"], name="pluginhost_activation_once_per_branch"),
            models.UniqueConstraint(
                fields=["plugin"],
                condition=models.Q(branch=None),
                name="pluginhost_activation_once_for_group",
            ),
        ]
        indexes = [models.Index(fields=["branch", "plugin"], name="pluginhost_activation_branch")]

    def __str__(self) -> str:
        word = {None: "as inherited", True: "on", False: "off"}[self.is_active]
        return f"{self.plugin} at {self.branch_id or 'all branches'}: {word}"
