"""The channel."""

from __future__ import annotations

import sqlite3
from contextlib import suppress

from opticshop.plugin_api import MessageChannel, OutboundMessage, SendOutcome, Settings

from . import journal
from .composing import NotAnAddress, NotMailable, address, composed
from .server import MailServer
from .session import handed_over


class MailChannel(MessageChannel):
    """Hands each message to the mail server once."""

    name = "mail"
    title = "E-mail"
    kind = "email"
    needs = "email"
    carries_files = True

    def send(self, message: OutboundMessage, settings: Settings) -> SendOutcome:
        """`sent` once the server said that it has the mail; `refused` for what it will never take."""
        server = MailServer.of(settings)
        if fault := _fault(server, message):
            return SendOutcome(state="retry", detail=fault)
        try:
            mail = composed(message, server)
        except NotMailable as error:
            return SendOutcome(state="refused", detail=str(error))
        try:
            with journal.opened() as remembered:
                earlier = remembered.claim(message.id)
                if earlier is not None:
                    return earlier
        except (sqlite3.Error, OSError):
            return SendOutcome(state="retry", detail="The journal of what was sent cannot be written.")
        outcome = handed_over(mail, server)
        with suppress(sqlite3.Error, OSError), journal.opened() as remembered:
            remembered.settle(message.id, outcome)
        return outcome


def _fault(server: MailServer, message: OutboundMessage) -> str:
    """What must be set up first; "" when nothing is missing."""
    if not server.host or not server.from_address:
        return "The mail server or the sender is not set up at this branch."
    for what, text in (
        ("sender", server.from_address),
        ("address for undeliverable mail", server.bounce_address),
        ("address for answers", message.reply_to),
    ):
        try:
            if text:
                address(text)
        except NotAnAddress:
            return f"The {what} is not an address."
    return ""
