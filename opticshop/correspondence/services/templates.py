"""Templates of a branch or of the group: written, changed, tried out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from string import Template
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import F

from opticshop.branches.models import Branch
from opticshop.core import outbox
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import Conflict, Forbidden, Invalid, VersionMismatch

from .. import events
from ..kinds import MessageKind, all_kinds, kind_named
from ..models import MessageTemplate
from ..permissions import CorrespondencePermission
from ..stopping import with_stop
from ..templating import (
    EXAMPLE_NAME,
    Templates,
    allowed_placeholders,
    check_length,
    check_words,
    example_values,
    full_values,
    in_words,
)
from ..texting import TextLength
from ..wording import filled

MANAGE = CorrespondencePermission.MANAGE


class MessageKindUnknown(Invalid):
    """There is no such kind of message in this release."""

    code = "correspondence.kind_unknown"
    title = "This kind of message is not known"


class PreviewValueUnknown(Invalid):
    """A preview was given a value for a placeholder that its kind of message does not have."""

    code = "correspondence.preview_value_unknown"
    title = "This kind of message has no such value"


class TemplateExists(Conflict):
    """There is one template for a kind, language and form at a place; it can be changed, or switched on again."""

    code = "correspondence.template_exists"
    title = "There is such a template already"


@dataclass(frozen=True, slots=True)
class Preview:
    """A message as it would be written. ``words_from``: whose words they are, as_given, branch, group or built_in."""

    language: str
    subject: str
    body: str
    length: TextLength | None
    words_from: str
    placeholders: list[str]


def template_write(
    *,
    actor: Actor,
    kind: str,
    language: str,
    form: str,
    body: str,
    subject: str = "",
    branch: Branch | None = None,
    is_active: bool = True,
) -> MessageTemplate:
    """Write a template for a branch, or without one for the group (head office).

    Raises MessageKindUnknown, PlaceholderNotAllowed, TemplateUnreadable, SubjectHasLines, TextTooLong, TemplateExists.
    """
    _require(actor, branch)
    _check(_kind(kind), form, subject, body)
    try:
        with transaction.atomic():
            template = MessageTemplate.objects.create(
                branch=branch,
                kind=kind,
                language=language.lower(),
                form=form,
                subject=subject,
                body=body,
                is_active=is_active,
            )
            _record(template, actor)
    except IntegrityError as error:
        raise TemplateExists(f"{kind} has a template in {language} for {form} there.", field="kind") from error
    return template


def template_change(
    *, actor: Actor, template: MessageTemplate, version: int, changes: dict[str, Any]
) -> MessageTemplate:
    """Change its words, or whether it is used, guarded by the version that was read. Raises as template_write."""
    _require(actor, template.branch)
    words = {name: changes.get(name, getattr(template, name)) for name in ("subject", "body")}
    _check(_kind(template.kind), template.form, **words)
    with transaction.atomic():
        rows = MessageTemplate.objects.everywhere("by key, permission checked above")
        if not rows.filter(id=template.id, version=version).update(version=F("version") + 1, **changes):
            raise VersionMismatch(field="If-Match")
        template.refresh_from_db()
        _record(template, actor)
    return template


def template_preview(
    *,
    actor: Actor,
    branch: Branch,
    kind: str,
    form: str,
    language: str | None = None,
    subject: str | None = None,
    body: str | None = None,
    values: Mapping[str, str] | None = None,
) -> Preview:
    """A message of a kind as the branch would write it, with the words given or those in force; nothing is kept.

    What is not among the values is filled with examples. Raises as template_write.
    """
    actor.require(MANAGE, branch.id)
    of = _kind(kind)
    allowed = allowed_placeholders(of, form)
    given = dict(values or {})
    strange = sorted(set(given) - {*of.placeholders, "name"})
    if strange:
        fitting = sorted({*of.placeholders, "name"})
        raise PreviewValueUnknown(f"This kind has no value {strange[0]}.", field="values", allowed=fitting)
    name = given.pop("name", EXAMPLE_NAME)
    filling = full_values({**example_values(of), **given}, name, name, branch)
    language = language or branch.language
    if body is not None:
        check_words(of, form, subject or "", body)
        spelt = in_words(of, filling, language)
        written, words_from = (language, *filled(Template(subject or ""), Template(body), spelt)), "as_given"
    else:
        templates = Templates.of(branch)
        row = templates.find(kind, language, form)
        written = templates.written(of, language, form, filling)
        words_from = "built_in" if row is None else "group" if row.branch_id is None else "branch"
    stop = {"purpose": of.purpose, "form": form, "language": written[0], "branch": branch}
    text = with_stop(written[2], **stop, hears_replies=True, url="")  # type: ignore[arg-type]
    length = check_length(form, text)
    return Preview(written[0], written[1], text, length=length, words_from=words_from, placeholders=allowed)


def _check(kind: MessageKind, form: str, subject: str, body: str) -> None:
    """Its placeholders, and its length when it is filled with examples."""
    check_words(kind, form, subject, body)
    examples = dict.fromkeys(allowed_placeholders(kind, form), EXAMPLE_NAME) | example_values(kind)
    check_length(form, filled(Template(subject), Template(body), examples)[1])


def _kind(name: str) -> MessageKind:
    try:
        return kind_named(name)
    except KeyError as error:
        known = [kind.name for kind in all_kinds()]
        raise MessageKindUnknown(f"There is no kind {name!r}.", field="kind", allowed=known) from error


def _require(actor: Actor, branch: Branch | None) -> None:
    """Whoever manages the messages of a branch; for the whole group only who does so everywhere."""
    actor.require(MANAGE, branch.id if branch else None)
    if branch is None and actor.where(MANAGE) is not ALL:
        raise Forbidden("A template for the whole group is written by the head office.", permission=str(MANAGE))


def _record(template: MessageTemplate, actor: Actor) -> None:
    outbox.record(
        event_type=events.TEMPLATE_WRITTEN,
        subject=f"message-templates/{template.id}",
        actor=actor,
        branch_id=template.branch_id,
        data={
            "template": str(template.id),
            "kind": template.kind,
            "language": template.language,
            "form": template.form,
            "version": template.version,
        },
    )
