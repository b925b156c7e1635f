"""Switching plugins on and off and setting them up, for the group or at one branch."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import F

from opticshop.branches.models import Branch
from opticshop.core import outbox
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import Forbidden, VersionMismatch
from opticshop.core.locks import lock_rows

from .. import events
from ..activation import Activations, SettingsProblem, merged, secret_names, settings_problems
from ..discovery import Plugin
from ..errors import SettingsNotAdmitted, entry
from ..models import PluginActivation
from ..permissions import PluginPermission


def plugin_activation_set(
    *,
    actor: Actor,
    plugin: Plugin,
    branch: Branch | None,
    version: int,
    is_active: bool | None,
    settings: Mapping[str, Any],
) -> PluginActivation:
    """Say whether a plugin is active, and set its own settings, at a branch or (no branch) for the group.

    ``is_active`` None follows the group (or, for the group, means on). ``settings`` replace those set here before;
    a secret that is not mentioned stays. ``version`` is that of the row that was read, 0 where there was none. Settings
    for the group are refused when they would spoil those of a branch. Raises SettingsNotAdmitted, VersionMismatch.
    """
    _require(actor, branch)
    with transaction.atomic():
        rows = lock_rows(PluginActivation.objects.filter(plugin=plugin.name))
        activations = Activations(rows)
        before = activations.row(plugin.name, branch.id if branch else None)
        kept = {name: before.settings[name] for name in secret_names(plugin) if before and name in before.settings}
        own = {**kept, **settings}
        _check(plugin, branch, own, activations)
        row = _written(plugin, branch, before, version, is_active, own)
        outbox.record(
            event_type=events.ACTIVATION_CHANGED,
            subject=f"plugins/{plugin.name}",
            actor=actor,
            branch_id=branch.id if branch else None,
            data={
                "plugin": plugin.name,
                "branch": str(branch.id) if branch else None,
                "is_active": is_active,
                "settings": sorted(own),
            },
        )
    return row


def _require(actor: Actor, branch: Branch | None) -> None:
    if branch is not None:
        actor.require(PluginPermission.MANAGE, branch.id)
    elif actor.where(PluginPermission.MANAGE) is not ALL:
        raise Forbidden("Plugins are set up for the group by those who manage them in every branch.")


def _written(
    plugin: Plugin,
    branch: Branch | None,
    before: PluginActivation | None,
    version: int,
    is_active: bool | None,
    own: dict[str, Any],
) -> PluginActivation:
    if before is None:
        if version != 0:
            raise VersionMismatch(field="If-Match")
        try:
            with transaction.atomic():
                return PluginActivation.objects.create(
                    plugin=plugin.name, branch=branch, is_active=is_active, settings=own
                )
        except IntegrityError as error:
            raise VersionMismatch(field="If-Match") from error
    mine = PluginActivation.objects.filter(id=before.id, version=version)
    if not mine.update(version=F("version") + 1, is_active=is_active, settings=own):
        raise VersionMismatch(field="If-Match")
    before.refresh_from_db()
    return before


def _check(plugin: Plugin, branch: Branch | None, own: dict[str, Any], activations: Activations) -> None:
    """The settings are admitted where they are made and wherever they are inherited."""
    _check_storable(own)
    if branch is not None:
        group = activations.row(plugin.name, None)
        _refuse(settings_problems(plugin, merged(plugin, group.settings if group else {}, own)))
        return
    _refuse(settings_problems(plugin, merged(plugin, own)))
    for branch_id in activations.branches_of(plugin.name):
        row = activations.row(plugin.name, branch_id)
        theirs = merged(plugin, own, row.settings if row else {})
        _refuse(settings_problems(plugin, theirs), f" together with those of branch {branch_id}")


def _refuse(problems: list[SettingsProblem], where: str = "") -> None:
    if problems:
        raise SettingsNotAdmitted(
            "; ".join(map(str, problems))[:1000] + where,
            errors=[entry(("settings", *one.path), one.message, one.rule, one.allowed) for one in problems],
        )


def _check_storable(own: dict[str, Any]) -> None:
    """Both databases can keep it: finite numbers, and text without NUL or half a surrogate pair."""
    try:
        text = json.dumps(own, allow_nan=False, ensure_ascii=False)
        text.encode()
    except ValueError as error:
        raise SettingsNotAdmitted("A setting is not finite or not text.", field="settings") from error
    if "\\u0000" in text:
        raise SettingsNotAdmitted("A setting contains the NUL character.", field="settings")
