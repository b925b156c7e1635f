"""Skeleton Name: a message channel for opticshop."""

from __future__ import annotations

from collections.abc import Sequence

from opticshop.plugin_api import MessageChannel, OutboundMessage, PluginManifest, SendOutcome, Settings, hookimpl


class SkeletonNameChannel(MessageChannel):
    """Keeps messages in memory. Replace `_hand_over` by a call of your carrier, with a timeout of your own.

    A carrier that takes our message id as its idempotency key needs no `_sent`: it is the one that remembers, also
    after a crash.
    """

    name = "skeleton-name"
    title = "Skeleton Name"
    kind = "text"
    needs = "phone"

    def __init__(self) -> None:
        self._sent: dict[str, SendOutcome] = {}

    def send(self, message: OutboundMessage, settings: Settings) -> SendOutcome:
        """`refused` for an address that is none; `retry` where the carrier certainly did not take the message."""
        if message.id in self._sent:
            return self._sent[message.id]
        if not message.to:
            return SendOutcome(state="refused", detail="There is no number to send to.")
        try:
            reference = self._hand_over(f"{settings['sender']}: {message.body}")
        except ConnectionRefusedError:
            return SendOutcome(state="retry", detail="The carrier cannot be reached.")
        self._sent[message.id] = SendOutcome(state="sent", provider_reference=reference)
        return self._sent[message.id]

    def _hand_over(self, text: str) -> str:
        return f"memory-{len(self._sent) + 1}"


class SkeletonName:
    manifest = PluginManifest(
        name="skeleton-name",
        title="Skeleton Name",
        version="0.1.0",
        api=">=1.0,<2",
        description="Sends text messages; this example keeps them in memory.",
        settings_schema={
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            "type": "object",
            "additionalProperties": False,
            "required": ["sender"],
            "properties": {
                "sender": {"title": "Sender", "type": "string", "minLength": 1, "maxLength": 11},
                "token": {"title": "Token of the carrier", "type": "string", "writeOnly": True},
            },
        },
        default_settings={"sender": "Optician"},
    )

    def __init__(self) -> None:
        self._channel = SkeletonNameChannel()

    @hookimpl
    def register_channels(self) -> Sequence[MessageChannel]:
        return (self._channel,)


plugin = SkeletonName()
