"""A message as a mail: RFC 5322 with MIME, plain text in UTF-8, quoted-printable; files beside it in base64."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP, SMTPUTF8
from email.utils import format_datetime

from opticshop.plugin_api import OutboundMessage

from .server import MailServer

_LOCAL = re.compile(r"""[^\s<>()\[\],;:\\"@\x00-\x1f\x7f-\x9f]+""")
_DOMAIN = re.compile(r"[A-Za-z0-9]([A-Za-z0-9-]*[A-Za-z0-9])?(\.[A-Za-z0-9]([A-Za-z0-9-]*[A-Za-z0-9])?)*")
_LANGUAGE = re.compile(r"[A-Za-z]{1,8}(-[A-Za-z0-9]{1,8})*")
_MEDIA = re.compile(r"[a-z]+/[a-z0-9.+-]+")
_ANY = "application/octet-stream"
_HTTPS = re.compile(r"https://[!#-;=?-_a-z~%]{1,900}")
"""Printable ASCII without quotes and angle brackets: it stands between angle brackets in a header."""
_PLAIN_ID = re.compile(r"[A-Za-z0-9-]{1,64}")


class NotMailable(ValueError):
    """The message cannot be written as a mail, now or later; the text says why."""


class NotAnAddress(NotMailable):
    """An address that no mail can be sent to."""


@dataclass(frozen=True, slots=True)
class Mail:
    """What the mail server is given. `needs_utf8` where an address has letters beyond ASCII before its @."""

    message_id: str
    envelope_from: str
    envelope_to: str
    content: bytes
    needs_utf8: bool


def address(text: str, display_name: str = "") -> Address:
    """Raises `NotAnAddress`. A domain beyond ASCII is written as DNS knows it."""
    local, at, domain = text.strip().rpartition("@")
    try:
        ascii_domain = domain.encode("idna").decode("ascii") if domain else ""
    except UnicodeError:
        ascii_domain = ""
    dots = local.startswith(".") or local.endswith(".") or ".." in local
    sound = at and _LOCAL.fullmatch(local) and not dots and _DOMAIN.fullmatch(ascii_domain)
    if not sound or len(local.encode("utf-8", "replace")) > 64 or len(ascii_domain) > 253:
        raise NotAnAddress("This is not an address that mail can be sent to.")
    return Address(display_name=display_name, username=local, domain=ascii_domain)


def composed(message: OutboundMessage, server: MailServer) -> Mail:
    """The mail. Raises `NotMailable`. The same message has the same Message-ID every time."""
    sender = address(server.from_address, _one_line(message.branch_name))
    recipient = address(message.to, _one_line(message.recipient_name))
    reply_to = address(message.reply_to, _one_line(message.branch_name)) if message.reply_to else None
    everyone = [one.addr_spec for one in (sender, recipient, reply_to) if one is not None]
    needs_utf8 = not all(one.isascii() for one in everyone)
    mail = EmailMessage(policy=SMTPUTF8 if needs_utf8 else SMTP)
    mail["From"] = sender
    mail["To"] = recipient
    if reply_to is not None:
        mail["Reply-To"] = reply_to
    mail["Subject"] = _one_line(message.subject)
    mail["Date"] = format_datetime(datetime.now(UTC))
    mail["Message-ID"] = message_id = f"<{_id_part(message.id)}@{sender.domain}>"
    mail["Auto-Submitted"] = "auto-generated"
    try:
        mail.set_content(message.body, charset="utf-8", cte="quoted-printable")
        if _LANGUAGE.fullmatch(message.language):
            mail["Content-Language"] = message.language
        for file in message.attachments:
            main, _, sub = (file.media_type if _MEDIA.fullmatch(file.media_type) else _ANY).partition("/")
            mail.add_attachment(file.content, maintype=main, subtype=sub, filename=_one_line(file.name), cte="base64")
        content = _unsubscribing(message.unsubscribe_url) + mail.as_bytes()
    except UnicodeError:
        raise NotMailable("The text has characters that are none.") from None
    envelope_from = address(server.bounce_address).addr_spec if server.bounce_address else sender.addr_spec
    return Mail(message_id, envelope_from, recipient.addr_spec, content, needs_utf8 or not envelope_from.isascii())


def _unsubscribing(url: str) -> bytes:
    """The two headers of RFC 8058, for an https address only. Written by hand: they must not be folded or encoded."""
    if not _HTTPS.fullmatch(url):
        return b""
    return f"List-Unsubscribe: <{url}>\r\nList-Unsubscribe-Post: List-Unsubscribe=One-Click\r\n".encode("ascii")


def _one_line(text: str) -> str:
    """The text without control characters: what could begin another header is a space."""
    return " ".join("".join(letter if letter.isprintable() else " " for letter in text).split())


def _id_part(message_id: str) -> str:
    return message_id if _PLAIN_ID.fullmatch(message_id) else hashlib.sha256(message_id.encode()).hexdigest()[:40]
