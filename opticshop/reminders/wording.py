"""The texts, in English. Placeholders are filled in once and what is filled in is never read as a template again.

Contents are minimal: no power, no measurement, no diagnosis, nothing about money (data protection, from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from string import Template

LANGUAGE = "en"
READY = "ready_for_collection"


@dataclass(frozen=True, slots=True)
class Wording:
    """A text with a subject line, long for letters and e-mail, short for text messages."""

    subject: Template
    long: Template
    short: Template

    def written(self, channel_kind: str, values: Mapping[str, str]) -> tuple[str, str]:
        """(subject, body) for a kind of channel. Every value becomes one line; a missing one raises KeyError."""
        clean = {name: " ".join(value.split()) for name, value in values.items()}
        body = self.short if channel_kind == "text" else self.long
        return self.subject.substitute(clean), body.substitute(clean)


WORDINGS: dict[str, Wording] = {
    READY: Wording(
        subject=Template("Your order $order_number is ready to collect"),
        long=Template(
            "Dear $name,\n\n"
            "order $order_number is ready for collection at $branch_name$branch_where.\n"
            "Please bring this number with you. We will check the fit when you collect.\n\n"
            "$branch_name"
        ),
        short=Template("$branch_name: order $order_number is ready to collect$branch_where."),
    ),
}
