"""Kinds of message and channels made on the spot; a carrier that signs what it says."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterator
from string import Template

import pytest
from standardwebhooks import Webhook

from opticshop.core import clock
from opticshop.core.actor import system
from opticshop.correspondence.kinds import MessageKind, declare
from opticshop.correspondence.models import Message
from opticshop.correspondence.services import Draft, messages_queue
from opticshop.correspondence.wording import Wording
from opticshop.plugin_api import (
    DeliveryReport,
    IncomingReply,
    MessageChannel,
    OutboundMessage,
    PluginManifest,
    Refusal,
    SendOutcome,
    hookimpl,
)
from opticshop.pluginhost.testing import using_plugins
from tests.conftest import NOON
from tests.factories import CustomerFactory

SYSTEM = system("test")
SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
#: Things that are no longer worth telling: what they are about, and why.
GONE: dict[str, str] = {}


def _kind(name: str, purpose: str) -> MessageKind:
    return declare(
        MessageKind(
            name=name,
            title=name,
            purpose=purpose,
            placeholders=("thing", "finding"),
            open_placeholders=("thing",),
            examples={"thing": "T-1", "finding": "nothing unusual"},
            wording=Wording(
                subject=Template("About $thing"),
                long=Template("Dear $name, $thing: $finding. $branch_name$branch_where"),
                short=Template("$branch_name: $thing"),
            ),
            gone=lambda message: GONE.get(message.subject_ref, ""),
        )
    )


KINDS = {purpose: _kind(f"test_{purpose}", purpose) for purpose in ("service", "recall", "marketing")}


class Recorder(MessageChannel):
    """Keeps what it is given and answers as told; reads calls that are signed with SECRET."""

    title = "Recorder"

    def __init__(self, name, kind, needs, batches=False, form=None):
        self.name, self.kind, self.needs, self.batches = name, kind, needs, batches
        self.given_form = form
        self.seen: list[OutboundMessage] = []
        self.answers: list[SendOutcome | Exception] = []
        self.on_send = lambda message: None

    def form(self, settings):
        return self.given_form or super().form(settings)

    def send(self, message, settings):
        self.seen.append(message)
        self.on_send(message)
        answer = (
            self.answers.pop(0) if self.answers else SendOutcome(state="sent", provider_reference=f"r-{message.id}")
        )
        if isinstance(answer, Exception):
            raise answer
        return answer

    def compose(self, messages, settings):
        self.seen.extend(messages)
        if any("unprintable" in message.body for message in messages):
            raise Refusal("test.unprintable", "it cannot be printed")
        return b"%PDF-1.4 " + " ".join(message.id for message in messages).encode()

    def read_callback(self, headers, body, settings):
        try:
            said = Webhook(SECRET).verify(body, {name.lower(): value for name, value in headers.items()})
        except Exception as error:
            raise Refusal("test.not_signed", "the signature does not fit") from error
        shape = {"report": DeliveryReport, "reply": IncomingReply}
        return [
            shape[one.pop("type")](
                **{k: dt.datetime.fromisoformat(v) if k.endswith("at") else v for k, v in one.items()}
            )
            for one in said["parts"]
        ]


class Plugin:
    manifest = PluginManifest(
        name="test-correspondence", title="Test", version="1.0", api=">=1.0,<2", description="For these tests."
    )

    def __init__(self):
        self.email = Recorder("post-box", "email", "email")
        self.text = Recorder("pocket", "text", "phone")
        self.letter = Recorder("envelope", "letter", "postal", batches=True)
        self.postcard = Recorder("card", "letter", "postal", form="postcard")

    @hookimpl
    def register_channels(self):
        return (self.email, self.text, self.letter, self.postcard)


@pytest.fixture
def plugin(mill) -> Iterator[Plugin]:
    mill.message_channel = "post-box"
    mill.save()
    GONE.clear()
    made = Plugin()
    with using_plugins([made], and_installed=True):
        yield made


@pytest.fixture
def person(mill):
    return CustomerFactory(
        branch=mill,
        email="wren@example.org",
        phone_e164="+442079460018",
        address="2 Fen Road",
        postcode="ZZ9 9ZZ",
        wants_marketing=True,
    )


def queue(customer, purpose="service", about="things/1", ways=(), due_at=None, **values) -> Message:
    values = {"thing": "T-7", "finding": "well", **values}
    draft = Draft(customer, KINDS[purpose], about, values, due_at, ways)
    return messages_queue(actor=SYSTEM, branch=customer.branch, drafts=[draft])[0]


def messages() -> list[Message]:
    return list(Message.objects.everywhere("test").order_by("id"))


def later(**amount: float):
    """The clock some time after noon of the test day."""
    return clock.at(NOON + dt.timedelta(**amount))


def call(client, parts, *, channel="pocket", branch="MILL", secret=SECRET, tamper=False):
    """A call of the carrier, signed by the library of the open webhook standard."""
    body = json.dumps({"parts": parts})
    signed_at = dt.datetime.now(dt.UTC)  # the library checks against the clock of the machine
    headers = {
        "webhook-id": "call-1",
        "webhook-timestamp": str(int(signed_at.timestamp())),
        "webhook-signature": Webhook(secret).sign("call-1", signed_at, body),
    }
    return client.post(
        f"/api/v1/channel-callbacks/{channel}/{branch}/",
        data=body.replace("parts", "partz") if tamper else body,
        content_type="application/json",
        headers=headers,
    )
