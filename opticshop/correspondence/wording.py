"""Built-in texts, in English. Placeholders are filled in once; what is filled in is never read as a template again.

Contents are minimal: no power, no measurement, no diagnosis, nothing about money (data protection, from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from string import Template

LANGUAGE = "en"


@dataclass(frozen=True, slots=True, eq=False)
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
