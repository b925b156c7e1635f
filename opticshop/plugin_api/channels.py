"""How a message reaches a person."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import ClassVar, Literal

from .types import JsonReady, Settings

ChannelKind = Literal["email", "text", "letter", "console"]
AddressKind = Literal["email", "phone", "postal"]
Purpose = Literal["service", "marketing"]
SendState = Literal["sent", "retry", "refused", "unknown"]


@dataclass(frozen=True, slots=True, kw_only=True)
class OutboundMessage(JsonReady):
    """One message to one person. `id` is the idempotency key: the same id is the same message, also after a
    crash.

    `to` is the address of the kind the channel needs ("" if it needs none); `language` a BCP 47 tag. Consent
    has been checked by the host for `purpose`.
    """

    id: str
    to: str
    subject: str
    body: str
    language: str
    purpose: Purpose
    branch_name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SendOutcome(JsonReady):
    """What became of a message.

    sent: accepted by the carrier. retry: certainly not sent, may work later. refused: certainly not sent and
    never will be (no such address). unknown: it may or may not have left; the host asks a person and does not
    resend.
    """

    state: SendState
    provider_reference: str | None = None
    detail: str = ""


class MessageChannel(ABC):
    """A way to send. `name` is kebab-case and unique; `needs` says which address the host must supply."""

    name: ClassVar[str]
    title: ClassVar[str]
    kind: ClassVar[ChannelKind]
    needs: ClassVar[AddressKind | None]

    @abstractmethod
    def send(self, message: OutboundMessage, settings: Settings) -> SendOutcome:
        """Send once. Called outside any transaction, from a job, after an attempt has been recorded.

        The second call with the same `message.id` must not send again; it returns the outcome of the first.
        Use explicit timeouts. An exception counts as `unknown`, so return `retry` or `refused` where that is
        certain.
        """
