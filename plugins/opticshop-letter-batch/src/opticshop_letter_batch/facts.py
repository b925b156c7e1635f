"""What is printed of each message, and which messages cannot be printed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from opticshop.plugin_api import OutboundMessage, Refusal

from .fonts import clean, lacking, printable


@dataclass(frozen=True, slots=True)
class Item:
    """One letter or postcard. `address` has the name on its first line."""

    id: str
    address: str
    subject: str
    body: str
    branch_name: str
    branch_lines: tuple[str, ...]
    branch_phone: str
    is_marketing: bool

    @property
    def return_line(self) -> str:
        return " · ".join(part for part in (self.branch_name, *self.branch_lines) if part)


def refused(code: str, text: str, message_id: str) -> Refusal:
    """`field` is the id of the message that cannot be printed, so that the others can be."""
    return Refusal(f"opticshop-letter-batch.{code}", f"{text} (message {message_id})", message_id)


def items(messages: Sequence[OutboundMessage], *, postcards: bool) -> list[Item]:
    """Raises `Refusal` naming the message that cannot be printed."""
    if not messages:
        raise Refusal("opticshop-letter-batch.empty", "There is nothing to print.")
    seen: set[str] = set()
    found = []
    for message in messages:
        if message.id in seen:
            raise refused("twice", "The message is in the batch twice.", message.id)
        seen.add(message.id)
        if postcards and message.form != "postcard":
            raise refused("not-neutral", "A postcard carries only a text that was written for one.", message.id)
        found.append(_item(message))
    return found


def _item(message: OutboundMessage) -> Item:
    lines = [" ".join(line.split()) for line in clean(message.to).split("\n") if line.strip()]
    name = " ".join(clean(message.recipient_name).split())
    if not lines or (name and lines == [name]):
        raise refused("no-address", "There is no address.", message.id)
    if name and lines[0] != name:
        lines.insert(0, name)
    address = "\n".join(lines)
    if gone := lacking(address):
        raise refused("letters", f"The typeface has no {' '.join(gone)}, which the address needs.", message.id)
    body = printable(clean(message.body)).strip("\n")
    if not body.strip():
        raise refused("no-text", "There is no text.", message.id)
    branch = [printable(line.strip()) for line in clean(message.branch_address).split("\n") if line.strip()]
    return Item(
        id=message.id,
        address=address,
        subject=printable(" ".join(clean(message.subject).split())),
        body=body,
        branch_name=printable(" ".join(clean(message.branch_name).split())),
        branch_lines=tuple(branch),
        branch_phone=printable(" ".join(clean(message.branch_phone).split())),
        is_marketing=message.purpose == "marketing",
    )
