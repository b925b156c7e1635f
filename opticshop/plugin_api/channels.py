"""How a message reaches a person."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import ClassVar, Literal

from .errors import InvalidFacts, Refusal
from .types import JsonReady, Settings

ChannelKind = Literal["email", "text", "letter", "console"]
AddressKind = Literal["email", "phone", "postal"]
Purpose = Literal["service", "marketing"]
SendState = Literal["sent", "retry", "refused", "unknown"]
MessageForm = Literal["long", "short", "letter", "postcard"]
DeliveryState = Literal["delivered", "undelivered"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Attachment:
    """A file that goes with a message. `name` is what it is saved as, `media_type` such as "text/csv"."""

    name: str
    media_type: str
    content: bytes = field(repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class OutboundMessage(JsonReady):
    """One message to one person. `id` is the idempotency key: the same id is the same message, also after a
    crash.

    `to` is the address of the kind the channel needs ("" if it needs none); `language` a BCP 47 tag. Consent
    has been checked by the host for `purpose`.

    `body` is written for `form`: a postcard is read by whoever carries it, so its text is neutral. `to` of a
    postal channel is the address in lines; `recipient_name` stands above it unless it is its first line.
    `unsubscribe_url` takes a POST as RFC 8058 describes it ("" for what nobody can unsubscribe from);
    `branch_address` has one line each. `attachments` has something only for a channel that `carries_files`.
    """

    id: str
    to: str
    subject: str
    body: str
    language: str
    purpose: Purpose
    branch_name: str
    unsubscribe_url: str = ""
    reply_to: str = ""
    form: MessageForm = "long"
    recipient_name: str = ""
    branch_address: str = ""
    branch_phone: str = ""
    attachments: tuple[Attachment, ...] = ()


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


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveryReport(JsonReady):
    """What the carrier says later about a message: it arrived, or it will not.

    `id` is the report's own: the same id is the same report. The message is named by its id or by the
    carrier's `provider_reference`; raises `InvalidFacts` where it is named by neither, and where `at` has no
    time zone.
    """

    id: str
    message_id: str | None = None
    provider_reference: str | None = None
    state: DeliveryState
    detail: str = ""
    at: datetime

    def __post_init__(self) -> None:
        if not self.id:
            raise InvalidFacts("a delivery report has an id", field="id")
        if not (self.message_id or self.provider_reference):
            raise InvalidFacts("a delivery report names its message", field="message_id")
        if self.state not in ("delivered", "undelivered"):
            raise InvalidFacts(f"{self.state!r} is no state of a delivery", field="state")
        if self.at.utcoffset() is None:
            raise InvalidFacts("the instant has no time zone", field="at")


@dataclass(frozen=True, slots=True, kw_only=True)
class IncomingReply(JsonReady):
    """What a person wrote back. `sender` is the address it came from, as the carrier states it.

    `message_id` and `provider_reference` name the message it answers, where the carrier knows. Raises
    `InvalidFacts` where `received_at` has no time zone.
    """

    id: str
    message_id: str | None = None
    provider_reference: str | None = None
    sender: str
    text: str
    received_at: datetime

    def __post_init__(self) -> None:
        if not self.id:
            raise InvalidFacts("a reply has an id", field="id")
        if self.received_at.utcoffset() is None:
            raise InvalidFacts("the instant has no time zone", field="received_at")


_FORMS: Mapping[str, MessageForm] = {"text": "short", "letter": "letter"}


class MessageChannel(ABC):
    """A way to send. `name` is kebab-case and unique; `needs` says which address the host must supply.

    A channel that `batches` is not asked to send: the host gathers its messages, asks it to `compose` one
    document of them, and a person says when that has been posted. One that `carries_files` sends the
    attachments of a message with it; every other is given none.
    """

    name: ClassVar[str]
    title: ClassVar[str]
    kind: ClassVar[ChannelKind]
    needs: ClassVar[AddressKind | None]
    batches: ClassVar[bool] = False
    carries_files: ClassVar[bool] = False

    def form(self, settings: Settings) -> MessageForm:
        """The form the host must write messages in: short for texts, postcard or letter for post, else long."""
        return _FORMS.get(self.kind, "long")

    @abstractmethod
    def send(self, message: OutboundMessage, settings: Settings) -> SendOutcome:
        """Send once. Called outside any transaction, from a job, after an attempt has been recorded.

        The second call with the same `message.id` must not send again; it returns the outcome of the first.
        Use explicit timeouts. An exception counts as `unknown`, so return `retry` or `refused` where that is
        certain.
        """

    def compose(self, messages: Sequence[OutboundMessage], settings: Settings) -> bytes:
        """One PDF of all `messages`, each of them once, in their order. Only for channels that batch.

        The same messages and settings give the same bytes. Called outside any transaction. Raise `Refusal`
        with its id as `field` for a message that cannot be printed, such as one without an address or, on a
        postcard, one of another form: the host can leave it out and compose the others.
        """
        raise Refusal(f"{self.name}.no-batches", f"{self.title} sends each message on its own.")

    def read_callback(
        self, headers: Mapping[str, str], body: bytes, settings: Settings
    ) -> Sequence[DeliveryReport | IncomingReply]:
        """What the carrier says in a call of its own: `body` as it came, `headers` with names in any case.

        Raise `Refusal` unless the call is proved to be the carrier's (a signature over the body with a shared
        secret, not older than some minutes) or when it cannot be read. The same call may come again: the host
        takes each id once. Pure, and called inside a transaction: no calls of your own, and quick.
        """
        raise Refusal(f"{self.name}.no-callbacks", f"{self.title} takes no calls.")
