"""Orders that are ready, and channels and policies made on the spot."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator

import pytest

from opticshop.core import clock, outbox
from opticshop.core.actor import system
from opticshop.correspondence.models import Message
from opticshop.orders import services as orders
from opticshop.orders.models import Order
from opticshop.plugin_api import (
    MessageChannel,
    OutboundMessage,
    PluginManifest,
    RecallDecision,
    RecallPolicy,
    SendOutcome,
    hookimpl,
)
from opticshop.pluginhost.testing import using_plugins
from tests.conftest import NOON
from tests.orders.conftest import world
from tests.workshop.conftest import bench, order

__all__ = ["bench", "order", "world"]

SYSTEM = system("test")


class Recorder(MessageChannel):
    """Keeps what it is given and answers as told; an answer that is an exception is raised."""

    title = "Recorder"

    def __init__(self, name: str, kind: str, needs: str | None):
        self.name, self.kind, self.needs = name, kind, needs  # type: ignore[misc, assignment]
        self.seen: list[OutboundMessage] = []
        self.answers: list[SendOutcome | Exception] = []
        self.on_send = lambda message: None

    def send(self, message, settings):
        self.seen.append(message)
        self.on_send(message)
        answer = self.answers.pop(0) if self.answers else SendOutcome(state="sent", provider_reference="r-1")
        if isinstance(answer, Exception):
            raise answer
        return answer


class NextYear(RecallPolicy):
    """A year after the issue, or never."""

    name = "next-year"
    title = "Next year"

    def __init__(self):
        self.seen = []
        self.never = False

    def due_on(self, subject, settings=None):
        self.seen.append(subject)
        day = None if self.never else subject.issued_on.replace(year=subject.issued_on.year + 1)
        return RecallDecision(due_on=day, reason="A year on.", source="invented for tests")


class Plugin:
    manifest = PluginManifest(
        name="test-reminders", title="Test", version="1.0", api=">=1.0,<2", description="For these tests."
    )

    def __init__(self):
        self.email = Recorder("post-box", "email", "email")
        self.text = Recorder("pocket", "text", "phone")
        self.letter = Recorder("envelope", "letter", "postal")
        self.policy = NextYear()

    @hookimpl
    def register_channels(self):
        return (self.email, self.text, self.letter)

    @hookimpl
    def register_recall_policies(self):
        return (self.policy,)


@pytest.fixture
def plugin(mill) -> Iterator[Plugin]:
    mill.message_channel, mill.recall_policy = "post-box", "next-year"
    mill.phone, mill.address = "020 7946 0000", "1 Mill Lane\nRivertown"
    mill.save()
    made = Plugin()
    with using_plugins([made], and_installed=True):
        yield made


def the_order() -> Order:
    return Order.objects.everywhere("test").select_related("branch", "customer", "prescription").get()


def make_ready(deliver: bool = True) -> Order:
    found = the_order()
    orders.order_mark_ready(actor=SYSTEM, order=found)
    if deliver:
        outbox.deliver_all()
    return found


def collect(deliver: bool = True) -> None:
    orders.order_collect(actor=SYSTEM, order=the_order())
    if deliver:
        outbox.deliver_all()


def messages() -> list[Message]:
    return list(Message.objects.everywhere("test").order_by("id"))


def later(**amount: float):
    """The clock some time after noon of the test day."""
    return clock.at(NOON + dt.timedelta(**amount))
