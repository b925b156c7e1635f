"""What a branch sends by and in which words, read once for a run; and the plan for one message made from it."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass

from opticshop.branches.models import Branch
from opticshop.core.errors import DomainError
from opticshop.customers.models import Customer
from opticshop.plugin_api import OutboundMessage
from opticshop.pluginhost import services as plugins
from opticshop.pluginhost.services import BoundChannel

from . import reaching, unsubscribing
from .kinds import MessageKind, kind_named
from .models import ChannelChoice, Form, Message
from .stopping import with_stop
from .templating import FORM_OF, Templates, check_length, full_values

log = logging.getLogger("opticshop.correspondence")
#: A channel of this kind writes on a screen: it serves every way.
ANY_WAY = "console"
STOP_WORDS = "No more messages of this kind:"


@dataclass(frozen=True, slots=True)
class Serving:
    """A channel that serves a way at a branch. ``form`` is what its texts are written for."""

    channel: BoundChannel
    form: str
    per_minute: int | None
    batches: bool


@dataclass(frozen=True, slots=True)
class NotServed:
    """Why a way is not served; ``for_now`` where that may pass, for instance while a plugin is switched off."""

    why: str
    for_now: bool = False


@dataclass(frozen=True, slots=True)
class Plan:
    """How a message is to be sent now, or why it cannot be. ``for_now`` says that the obstacle may pass."""

    person: Customer
    way: str = ""
    serving: Serving | None = None
    to: str = ""
    language: str = ""
    subject: str = ""
    body: str = ""
    unsubscribe_url: str = ""
    obstacle: str = ""
    for_now: bool = False


class Desk:
    """The channels and templates of one branch. Three queries when it is made, and those of the plugins' settings."""

    def __init__(self, branch: Branch):
        self.branch = branch
        self.templates = Templates.of(branch)
        rows = ChannelChoice.objects.everywhere("the branch's own").filter(branch=branch)
        self._choices = {row.way: row for row in rows}
        self._bound: dict[str, tuple[BoundChannel, str] | str] = {}

    def serving(self, way: str) -> Serving | NotServed:
        """The channel chosen for the way, or the branch's own one where it is of that way."""
        choice = self._choices.get(way)
        if choice is not None and not choice.is_active:
            return NotServed(f"This branch sends nothing by {way}.")
        bound = self._bind(choice.channel if choice else self.branch.message_channel)
        if isinstance(bound, str):
            return NotServed(bound, for_now=True)
        channel, form = bound
        if channel.kind not in (way, ANY_WAY):
            return NotServed(f"This branch has no channel for {way}: it sends by {channel.kind}.")
        return Serving(channel, form, choice.per_minute if choice else None, channel.batches)

    def plan(self, message: Message) -> Plan:
        """How the message is sent: by the first way that is wanted, served and has an address; in today's words."""
        kind = kind_named(message.kind)
        told = reaching.audience(
            message.customer, message.purpose, self.branch.time_zone, [way for way in message.ways.split(",") if way]
        )
        if told.obstacle:
            return self._not(told.person, "", message, kind, NotServed(told.obstacle))
        refused = message.ways_refused.split(",")
        first: NotServed | None = None
        for way in told.ways:
            if way in refused:
                continue
            found = self._by(way, message, kind, told.person)
            if isinstance(found, Plan):
                return found
            first = first or found
        first = first or NotServed(message.detail or "No way is left.")
        return self._not(told.person, told.ways[0], message, kind, first)

    def _not(self, person: Customer, way: str, message: Message, kind: MessageKind, why: NotServed) -> Plan:
        """No way, with the words that a person may use who calls instead."""
        language, subject, body = self._written(message, kind, person, Form.EMAIL)
        return Plan(person, way, None, "", language, subject, body, obstacle=why.why, for_now=why.for_now)

    def _by(self, way: str, message: Message, kind: MessageKind, person: Customer) -> Plan | NotServed:
        serving = self.serving(way)
        if isinstance(serving, NotServed):
            return serving
        to, obstacle = reaching.address(person, way, message.purpose, serving.channel.needs)
        if obstacle:
            return NotServed(obstacle)
        language, subject, body = self._written(message, kind, person, serving.form)
        url = unsubscribing.address_for(person.id, message.purpose, way)
        body = with_stop(
            body,
            purpose=message.purpose,
            form=serving.form,
            language=language,
            branch=self.branch,
            hears_replies=serving.channel.hears_replies,
            url=url,
        )
        url = url if serving.form == Form.EMAIL else ""
        if url:
            body = f"{body}\n\n--\n{STOP_WORDS}\n{url}\n"
        try:
            check_length(serving.form, body)
        except DomainError as error:
            return NotServed(error.detail)
        return Plan(person, way, serving, to, language, subject, body, url)

    def _written(self, message: Message, kind: MessageKind, person: Customer, form: str) -> tuple[str, str, str]:
        wearer = reaching.wearer_of(message.customer)
        values = full_values(message.values, str(person), str(wearer), self.branch)
        return self.templates.written(kind, person.language, form, values, ward=wearer.id != person.id)

    def _bind(self, name: str) -> tuple[BoundChannel, str] | str:
        """The channel with its form, or in words why it cannot be had; asked for once."""
        if name not in self._bound:
            try:
                channel = plugins.channel(branch=self.branch, name=name)
                self._bound[name] = (channel, str(FORM_OF[channel.form]))
            except DomainError as error:
                self._bound[name] = error.detail
        return self._bound[name]


def apply(plan: Plan, message: Message) -> Sequence[str]:
    """Write the plan on the message; returns the columns that it wrote."""
    message.told, message.to, message.language = plan.person, plan.to, plan.language or message.language
    message.way, message.subject, message.body = plan.way, plan.subject, plan.body
    if plan.serving is not None:
        message.channel, message.form = plan.serving.channel.name, plan.serving.form
        message.awaits_batch = plan.serving.batches
    return ("told", "to", "language", "way", "subject", "body", "channel", "form", "awaits_batch")


def outbound(message: Message, channel: BoundChannel, unsubscribe_url: str = "") -> OutboundMessage:
    """What the channel is given. The id is the message's own, so that the carrier can refuse a twin."""
    branch = message.branch
    return OutboundMessage(
        id=str(message.id),
        to=message.to,
        subject=message.subject,
        body=message.body,
        language=message.language,
        purpose="marketing" if message.purpose == Message.Purpose.MARKETING else "service",
        branch_name=branch.name,
        unsubscribe_url=unsubscribe_url,
        form=next(word for word, form in FORM_OF.items() if form == message.form),
        recipient_name=str(message.told or message.customer),
        branch_address=branch.address,
        branch_phone=branch.phone,
    )
