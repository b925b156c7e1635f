"""Which words are used for a message, and what words may say.

Looked for in this order: the branch's own in the person's language, then in the branch's; the group's in the same two;
the built-in text. A text is filled in by name only; what fills it is never read as a template.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from string import Template

from django.db.models import Q

from opticshop.branches.models import Branch
from opticshop.core.errors import Invalid
from opticshop.plugin_api import MessageForm

from .kinds import MessageKind
from .models import Form, MessageTemplate
from .texting import MAX_SEGMENTS, TextLength, text_length
from .wording import COMMON_PLACEHOLDERS, LANGUAGE, day_in_words, filled

#: How a channel's form of a message is called here.
FORM_OF: dict[MessageForm, Form] = {
    "long": Form.EMAIL,
    "short": Form.TEXT,
    "letter": Form.LETTER,
    "postcard": Form.POSTCARD,
}
#: Forms that others may read.
OPEN_FORMS = frozenset({Form.TEXT, Form.POSTCARD})
EXAMPLE_NAME = "Wren Alder"


class PlaceholderNotAllowed(Invalid):
    """A template names a placeholder that its kind of message does not have, or that others could read there.

    A text message and a postcard say nothing of health or money.
    """

    code = "correspondence.placeholder_not_allowed"
    title = "This placeholder cannot be used here"


class TemplateUnreadable(Invalid):
    """A dollar sign stands where no placeholder follows. Write two for a dollar sign."""

    code = "correspondence.template_unreadable"
    title = "The template cannot be read"


class SubjectHasLines(Invalid):
    """A subject is one line: a line break or control character in it could begin a header of its own."""

    code = "correspondence.subject_has_lines"
    title = "The subject must be one line"


class TextTooLong(Invalid):
    """A text message would be sent in more parts than we send."""

    code = "correspondence.text_too_long"
    title = "The text message is too long"


class Templates:
    """The templates that a branch may use, looked up by kind, language and form."""

    def __init__(self, branch: Branch, rows: Iterable[MessageTemplate]):
        self._branch = branch
        self._rows = {(row.branch_id, row.kind, row.language.lower(), row.form): row for row in rows}

    @classmethod
    def of(cls, branch: Branch) -> Templates:
        """One query."""
        rows = MessageTemplate.objects.everywhere("the branch's own and the group's").filter(is_active=True)
        return cls(branch, rows.filter(Q(branch=branch) | Q(branch=None)))

    def find(self, kind: str, language: str, form: str) -> MessageTemplate | None:
        for place in (self._branch.id, None):
            for tried in _languages(language, self._branch.language):
                row = self._rows.get((place, kind, tried, form))
                if row is not None:
                    return row
        return None

    def written(
        self, kind: MessageKind, language: str, form: str, values: Mapping[str, str], *, ward: bool = False
    ) -> tuple[str, str, str]:
        """(language, subject, body) by the first template that can be filled in, else the built-in text.

        ``ward``: a guardian is told about a child.
        """
        row = self.find(kind.name, language, form)
        if row is not None:
            try:
                spelt = in_words(kind, values, row.language)
                return row.language, *filled(Template(row.subject), Template(row.body), spelt)
            except (KeyError, ValueError):  # written for placeholders that this release no longer has
                pass
        wording = kind.for_ward if ward and kind.for_ward else kind.wording
        return LANGUAGE, *wording.written(form, in_words(kind, values, LANGUAGE))


def allowed_placeholders(kind: MessageKind, form: str) -> list[str]:
    own = kind.open_placeholders if form in OPEN_FORMS else kind.placeholders
    return sorted({*COMMON_PLACEHOLDERS, *own})


def example_values(kind: MessageKind) -> dict[str, str]:
    return {name: kind.examples.get(name) or name.replace("_", " ") for name in kind.placeholders}


def full_values(values: Mapping[str, str], name: str, wearer: str, branch: Branch) -> dict[str, str]:
    """The kind's own values with those that every text may use."""
    people = {"name": name or "customer", "wearer": wearer or "customer"}
    return {**values, **people, "branch_name": branch.name, "branch_where": _where(branch)}


def in_words(kind: MessageKind, values: Mapping[str, str], language: str) -> dict[str, str]:
    """The values with the kind's days written out in the language."""
    return {name: day_in_words(text, language) if name in kind.days else text for name, text in values.items()}


def check_words(kind: MessageKind, form: str, subject: str, body: str) -> None:
    """Raises for what cannot be filled in, must not stand there, or would begin a line in the subject."""
    allowed = allowed_placeholders(kind, form)
    for field, text in (("subject", subject), ("body", body)):
        template = Template(text)
        if not template.is_valid():
            raise TemplateUnreadable(
                "A $ is followed by no name. Write $$ for a dollar sign.", field=field, allowed=allowed
            )
        strange = sorted(set(template.get_identifiers()) - set(allowed))
        if strange:
            raise PlaceholderNotAllowed(
                f"{', '.join('$' + name for name in strange)} cannot stand in the {field} of this {form}.",
                field=field,
                allowed=allowed,
            )
    if any(ord(char) < 32 or char in "\x7f\x85\u2028\u2029" for char in subject):
        raise SubjectHasLines("Take out line breaks, tabs and control characters.", field="subject")


def check_length(form: str, body: str) -> TextLength | None:
    """The length of a text message; None for other forms. Raises TextTooLong."""
    if form != Form.TEXT:
        return None
    length = text_length(body)
    if length.segments > MAX_SEGMENTS:
        raise TextTooLong(
            f"It has {length.units} units of {length.encoding} and would be sent in {length.segments} parts.",
            field="body",
            allowed=f"at most {MAX_SEGMENTS} parts",
        )
    return length


def _languages(language: str, otherwise: str) -> list[str]:
    """The languages to try: as stated, without its region, then the branch's own in the same way."""
    tags = [tag.lower() for tag in (language, otherwise) if tag]
    return list(dict.fromkeys(part for tag in tags for part in (tag, tag.split("-")[0])))


def _where(branch: Branch) -> str:
    """Address and telephone of the branch, each only where it is on record."""
    parts = [" ".join(branch.address.split()), f"tel. {branch.phone}" if branch.phone else ""]
    return "".join(f", {part}" for part in parts if part)
