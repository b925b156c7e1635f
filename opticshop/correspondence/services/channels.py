"""By which channel a branch sends messages of a way, and how many in a minute."""

from __future__ import annotations

from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import F

from opticshop.branches.models import Branch
from opticshop.core import outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid, VersionMismatch
from opticshop.pluginhost import services as plugins

from .. import events
from ..desk import ANY_WAY
from ..models import ChannelChoice
from ..permissions import CorrespondencePermission


class ChannelOfAnotherWay(Invalid):
    """The channel does not send by this way, for instance a channel for text messages chosen for letters."""

    code = "correspondence.channel_of_another_way"
    title = "This channel sends by another way"


class WayHasChannel(Conflict):
    """A branch has one channel for each way; the choice that there is can be changed."""

    code = "correspondence.way_has_channel"
    title = "This way has its channel at the branch"


def channel_choose(
    *,
    actor: Actor,
    branch: Branch,
    way: str,
    channel: str,
    per_minute: int | None = None,
    is_active: bool = True,
) -> ChannelChoice:
    """Choose the channel for a way. Raises PluginNotAvailable, ChannelOfAnotherWay, WayHasChannel."""
    actor.require(CorrespondencePermission.MANAGE, branch.id)
    _check(branch, way, channel)
    try:
        with transaction.atomic():
            choice = ChannelChoice.objects.create(
                branch=branch, way=way, channel=channel, per_minute=per_minute, is_active=is_active
            )
            _record(choice, actor)
    except IntegrityError as error:
        raise WayHasChannel(f"Branch {branch.code} has a channel for {way}.", field="way") from error
    return choice


def channel_choice_change(
    *, actor: Actor, choice: ChannelChoice, version: int, changes: dict[str, Any]
) -> ChannelChoice:
    """Change the channel, its pace, or whether the branch sends by the way, guarded by the version that was read."""
    actor.require(CorrespondencePermission.MANAGE, choice.branch_id)
    if "channel" in changes:
        _check(choice.branch, choice.way, changes["channel"])
    with transaction.atomic():
        row = ChannelChoice.objects.everywhere("by key, permission checked above").filter(id=choice.id, version=version)
        if not row.update(version=F("version") + 1, **changes):
            raise VersionMismatch(field="If-Match")
        choice.refresh_from_db()
        _record(choice, actor)
    return choice


def _check(branch: Branch, way: str, name: str) -> None:
    channel = plugins.channel(branch=branch, name=name)
    if channel.kind not in (way, ANY_WAY):
        raise ChannelOfAnotherWay(f"The channel {name} sends by {channel.kind}, not by {way}.", field="channel")


def _record(choice: ChannelChoice, actor: Actor) -> None:
    outbox.record(
        event_type=events.CHANNEL_CHOSEN,
        subject=f"channel-choices/{choice.id}",
        actor=actor,
        branch_id=choice.branch_id,
        data={"choice": str(choice.id), "way": choice.way, "channel": choice.channel, "is_active": choice.is_active},
    )
