"""Built-in texts, in English, and how any text is filled in: once; what is filled in is never read as a template.

Contents are minimal: no power, no measurement, no diagnosis, nothing about money (data protection, from memory). A
postcard is read by whoever carries it: it does not say what it is about.
"""

from __future__ import annotations

import datetime as dt
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from string import Template

from django.utils import formats, translation

LANGUAGE = "en"
SUBJECT_AT_MOST = 200
#: Known for every kind: who is told, about whom (for a child another person), and which branch tells and where it is.
COMMON_PLACEHOLDERS = ("name", "wearer", "branch_name", "branch_where")
POSTCARD_SUBJECT = Template("A note from us")
POSTCARD = Template(
    "Dear $name,\n\nwe would like to hear from you. Please get in touch with us.\n\n$branch_name$branch_where"
)


@dataclass(frozen=True, slots=True, eq=False)
class Wording:
    """A text with a subject line, long for letters and e-mail, short for text messages."""

    subject: Template
    long: Template
    short: Template

    def written(self, form: str, values: Mapping[str, str]) -> tuple[str, str]:
        """(subject, body) for a form. A missing value raises KeyError."""
        if form == "postcard":
            return filled(POSTCARD_SUBJECT, POSTCARD, values)
        return filled(self.subject, self.short if form == "text" else self.long, values)


def filled(subject: Template, body: Template, values: Mapping[str, str]) -> tuple[str, str]:
    """(subject, body) with the values in them, each made one line. Raises KeyError where one is missing."""
    clean = {name: one_line(value) for name, value in values.items()}
    return one_line(subject.substitute(clean))[:SUBJECT_AT_MOST], body.substitute(clean)


def day_in_words(text: str, language: str) -> str:
    """A day of ISO 8601 as people of the language write it; any other text as it is."""
    try:
        day = dt.date.fromisoformat(text)
    except ValueError:
        return text
    with translation.override(language):
        # Django's format of plain English is the American one; the day before the month is read rightly everywhere.
        plain = language.lower().split("-")[0] == "en"
        return formats.date_format(day, "j F Y" if plain else "DATE_FORMAT")


def one_line(text: str) -> str:
    """Without line breaks and control characters: nothing that could end a header or a line begins here."""
    return " ".join("".join(" " if unicodedata.category(char) == "Cc" else char for char in text).split())
